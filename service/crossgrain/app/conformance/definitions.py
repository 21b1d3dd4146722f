"""What the service defines: operations, the PlanDefinition, the head that every definition has."""

from collections.abc import Iterable, Iterator
from typing import Any

from crossgrain import __version__
from crossgrain.auth.guard import need_of
from crossgrain.catalogue import Catalogue
from crossgrain.dosing.bases import Basis
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.identity import (
    HOW_IT_GOES_ID,
    MODULE_CANONICAL,
    SERVICE_NAME,
    FhirVersion,
    canonical,
)
from crossgrain.operations.apply import CONTEXT, OPTIONS, RECORD
from crossgrain.operations.compare_bases import COMPARISON_PARTS
from crossgrain.operations.options import Option
from crossgrain.operations.parameters import ANSWERS, PLAN
from crossgrain.reading.code_tables import AnswerType, HowItGoes, Item
from crossgrain.safety.facts import Facts
from crossgrain.safety.results import TshLimits, tsh_limits
from crossgrain.words.doses import CAUTION
from crossgrain.writing.brief import BRIEF_PARTS
from crossgrain.writing.condition_notes import anyones, for_anyone
from crossgrain.writing.draw_expressions import LabCodes
from crossgrain.writing.elements import narrative, paragraph
from crossgrain.writing.next_step_parts import NEXT_STEP
from crossgrain.writing.parts import PartDefinition
from crossgrain.writing.rationale import RATIONALE_PARTS

Resource = dict[str, Any]

PUBLISHED = "2026-11-29"
"""The day of the last change to what these resources say; `date` must be given."""


def head(resource_type: str, own_id: str, title: str, description: str, *more: str) -> Resource:
    """Identity, version, status and a narrative; `more` are further blocks of XHTML."""
    return {
        "resourceType": resource_type,
        "id": own_id,
        "text": narrative(paragraph(title), paragraph(description), *more),
        "url": canonical(resource_type, own_id),
        "version": __version__,
        "name": name_of(own_id),
        "title": title,
        "status": "active",
        "experimental": False,
        "date": PUBLISHED,
        "publisher": SERVICE_NAME,
        "description": description,
    }


def name_of(own_id: str) -> str:
    """The machine's name of a definition.

    >>> name_of("propose-switch")
    'ProposeSwitch'
    """
    return "".join(word.capitalize() for word in own_id.split("-"))


CORE_APPLY = "http://hl7.org/fhir/OperationDefinition/PlanDefinition-apply"
APPLY_ID = "plan-definition-apply"
_REFERENCES = {"subject", "encounter", "practitioner", "organization"}
_RECORD = "The patient's record: one Patient, medications, labs, conditions, allergies."


def propose_switch_definition(options: Iterable[Option]) -> Resource:
    """``$propose-switch``; the parts of its Bundle's rationale are published with `return`."""
    body = _system_level(
        "propose-switch",
        "Propose a switch",
        "A patient's record and a target in; a dated series of proposals with its rationale out.",
    )
    answer = _out("return", 1, "1", "Bundle", "The GuidanceResponse first, then the series.")
    answer["documentation"] += (
        " The parts below are those of the Parameters that the GuidanceResponse contains as"
        " its outputParameters; with detail brief it holds instead: "
        + "; ".join(f"{part.name}: {part.meaning}" for part in BRIEF_PARTS)
        + "."
    )
    answer["part"] = [_part(part) for part in RATIONALE_PARTS]
    body["parameter"] = [_record("record"), _answers(), *map(_in, options), answer]
    return body


def next_step_definition(options: Iterable[Option]) -> Resource:
    """``$next-step``; the parts of its Bundle's rationale are published with `return`."""
    body = _system_level(
        "next-step",
        "Say the next step",
        "A patient's record at a visit, and the plan that runs, in; what is done next out: go on,"
        " hold, slow down, step back, turn back, the checkpoint's branch, ask, or stop. The plan is"
        " found in the record, or given as the parameter plan: the earlier answer, or its CarePlan."
        " Where none runs it is titration of what is taken.",
    )
    plan = {
        "name": PLAN,
        "use": "in",
        "min": 0,
        "max": "1",
        "documentation": "The plan that runs: the earlier answer, a Bundle, or its CarePlan."
        " Needed only where the record does not hold it.",
        "type": "Resource",
    }
    answer = _out("return", 1, "1", "Bundle", "The GuidanceResponse first, then what changes.")
    answer["documentation"] += (
        " The parts below are those of the Parameters that the GuidanceResponse contains as"
        " its outputParameters."
    )
    answer["part"] = [_part(part) for part in (NEXT_STEP, *RATIONALE_PARTS)]
    body["parameter"] = [_record("record"), plan, _answers(), *map(_in, options), answer]
    return body


def compare_bases_definition(options: Iterable[Option]) -> Resource:
    """``$compare-bases``."""
    body = _system_level(
        "compare-bases",
        "Compare the bases",
        "What the regimen in a record is worth on every basis of equivalence, and the target"
        " there. No plan.",
    )
    outputs = (_part(part) for part in COMPARISON_PARTS)
    body["parameter"] = [_record("record"), _answers(), *map(_in, options), *outputs]
    return body


def screen_switches_definition(options: Iterable[Option]) -> Resource:
    """``$screen-switches``."""
    body = _system_level(
        "screen-switches",
        "Screen a past switch",
        "One patient's record in; what is wrong with the last change of preparation, and what a"
        " plan that runs waits for, out, as the nightly job judges it.",
    )
    answer = _out(
        "return", 1, "1", "Bundle", "An OperationOutcome that says how it ended, then the flags."
    )
    body["parameter"] = [_record("record"), *map(_in, options), answer]
    return body


def apply_definition(version: FhirVersion) -> Resource:
    """The core ``$apply`` with the record and the options beside it."""
    body = head(
        "OperationDefinition",
        APPLY_ID,
        "Apply the plan definition to a record",
        "The core $apply, with the record in data, since nothing is stored here, and the"
        " options of $propose-switch in parameters.",
    )
    body |= {
        "kind": "operation",
        "affectsState": False,
        "code": "apply",
        "comment": _who_may("$apply"),
        "base": CORE_APPLY,
        "resource": ["PlanDefinition"],
        "system": False,
        "type": True,
        "instance": True,
    }
    options = {
        "name": OPTIONS,
        "use": "in",
        "min": 0,
        "max": "1",
        "documentation": "The options of $propose-switch but response and detail, as Parameters.",
        "type": "Parameters",
    }
    returned = "CarePlan" if version is FhirVersion.R4 else "Bundle"
    answer = _out("return", 1, "1", returned, "The plan, with everything that it refers to.")
    body["parameter"] = [*_of_type(version), *_context(), _record(RECORD), options, answer]
    return body


def _of_type(version: FhirVersion) -> Iterator[Resource]:
    """What names the definition where the operation is called at type level."""
    words = f"At type level, the plan definition: {MODULE_CANONICAL}, by it or as the resource."
    types = {"planDefinition": "PlanDefinition"}
    if version is FhirVersion.R5:
        types["url"] = "canonical"
    for name, of_type in types.items():
        yield {
            "name": name,
            "use": "in",
            "min": 0,
            "max": "1",
            "documentation": words,
            "type": of_type,
            **({"scope": ["type"]} if version is FhirVersion.R5 else {}),
        }


def _system_level(own_id: str, title: str, description: str) -> Resource:
    return head("OperationDefinition", own_id, title, description) | {
        "kind": "operation",
        "affectsState": False,
        "code": own_id,
        "comment": _who_may(f"${own_id}"),
        "system": True,
        "type": False,
        "instance": False,
    }


def _who_may(called: str) -> str:
    return (
        "Where a deployment asks for an access token, its scopes hold at least"
        f" {need_of(called).as_scope}; patient/ or system/ in place of user/ will do."
    )


def _record(name: str) -> Resource:
    return {
        "name": name,
        "use": "in",
        "min": 1,
        "max": "1",
        "documentation": _RECORD,
        "type": "Bundle",
    }


def _answers() -> Resource:
    return {
        "name": ANSWERS,
        "use": "in",
        "min": 0,
        "max": "*",
        "documentation": "Answers to the questions of an earlier answer to this record: each names"
        " the Questionnaire that stood in it.",
        "type": "QuestionnaireResponse",
    }


def _in(option: Option) -> Resource:
    body: Resource = {
        "name": option.name,
        "use": "in",
        "min": 0,
        "max": "*" if option.repeatable else "1",
        "documentation": option.meaning,
        "type": type_of(option),
    }
    if option.codes:
        value_set = canonical("ValueSet", option.name)
        body["binding"] = {"strength": "required", "valueSet": value_set}
    return body


def type_of(option: Option) -> str:
    """The FHIR type of an option's value: a primitive begins with a small letter."""
    name = option.value_key.removeprefix("value")
    return name if name in {"Reference", "CodeableConcept"} else name.lower()


def _context() -> Iterator[Resource]:
    for option in CONTEXT:
        body = _in(option)
        if option.name in _REFERENCES:
            body["searchType"] = "reference"
        if option.name == "subject":
            body |= {"min": 1, "max": "1"}
        yield body


def _out(name: str, minimum: int, maximum: str, fhir_type: str, meaning: str) -> Resource:
    return {
        "name": name,
        "use": "out",
        "min": minimum,
        "max": maximum,
        "documentation": meaning,
        "type": fhir_type,
    }


def _part(part: PartDefinition) -> Resource:
    body = _out(part.name, part.minimum, part.maximum, part.type, part.meaning)
    if part.parts:
        del body["type"]
        body["part"] = [_part(inner) for inner in part.parts]
    return body


PLAN_ID = "regimen-switch"
_TYPE_SYSTEM = "http://terminology.hl7.org/CodeSystem/plan-definition-type"
_STEPS = (
    ("Climb", "Build the new medicine up step by step while the old one tapers, or has ended."),
    ("Hold", "Wait at the smallest target that any enabled basis gives, and draw blood there."),
)


def plan_definition(
    catalogue: Catalogue,
    version: FhirVersion,
    inputs: Iterable[Resource],
    of_the_checkpoint: Iterable[Resource],
) -> Resource:
    """Climb, hold, then exactly one branch by the labs; the bases as citations.

    Parameters
    ----------
    inputs, of_the_checkpoint : the DataRequirements of the plan, and of the choice of a branch
    """
    limits = tsh_limits(Facts(Regimen(())), catalogue.rules)
    body = head(
        "PlanDefinition",
        PLAN_ID,
        "Move between thyroid hormone preparations",
        "Moves a hypothyroid adult between levothyroxine, desiccated thyroid, liothyronine and"
        f" their combinations. {CAUTION}",
    )
    if body["url"] != MODULE_CANONICAL:
        raise AssertionError("answers name another plan definition than the one published")
    coding = {"system": _TYPE_SYSTEM, "code": "clinical-protocol", "display": "Clinical Protocol"}
    body["type"] = {"coding": [coding]}
    body["subjectCodeableConcept"] = {
        "coding": [{"system": "http://hl7.org/fhir/resource-types", "code": "Patient"}]
    }
    body["usage"] = (
        "Apply it by PlanDefinition/regimen-switch/$apply with the record in data, or by"
        f" $propose-switch. {for_anyone(limits, catalogue.codes.labs)} The RequestGroup of an"
        " answer says it for its own patient."
    )
    body["relatedArtifact"] = [_citation(basis) for basis in catalogue.bases]
    body["library"] = [canonical("Library", PLAN_ID)]
    climb, hold = _steps()
    body["action"] = [
        climb | {"input": _inputs(inputs, version)},
        hold,
        _checkpoint(limits, catalogue.codes.labs) | {"input": _inputs(of_the_checkpoint, version)},
    ]
    return body


def _inputs(requirements: Iterable[Resource], version: FhirVersion) -> list[Resource]:
    """R5 puts each into a part of its own."""
    if version is FhirVersion.R4:
        return list(requirements)
    return [{"requirement": requirement} for requirement in requirements]


def _citation(basis: Basis) -> Resource:
    return {"type": "citation", "label": basis.id, "citation": f"{basis.statement} {basis.source}"}


def _steps() -> Iterator[Resource]:
    for title, description in _STEPS:
        yield {"title": title, "description": description}


def _checkpoint(limits: TshLimits, labs: LabCodes) -> Resource:
    return {
        "title": "Checkpoint",
        "description": "Once the labs are in, exactly one of the branches is taken.",
        "groupingBehavior": "logical-group",
        "selectionBehavior": "exactly-one",
        "action": [
            {
                "title": condition.title,
                "description": f"If {condition.words}.",
                "condition": [
                    {
                        "kind": "applicability",
                        "expression": {
                            "description": condition.words,
                            "language": "text/fhirpath",
                            "expression": condition.expression,
                        },
                    }
                ],
            }
            for condition in anyones(limits, labs).values()
        ],
    }


_LEAST_AND_MOST = (
    "http://hl7.org/fhir/StructureDefinition/minValue",
    "http://hl7.org/fhir/StructureDefinition/maxValue",
)


def how_it_goes_questionnaire(questions: HowItGoes) -> Resource:
    """What a patient is asked at every visit, as it is sent to be answered."""
    body = head(
        "Questionnaire",
        HOW_IT_GOES_ID,
        questions.title,
        "What a patient who moves between thyroid medicines is asked at every visit. Send the"
        " answers with the record, as a QuestionnaireResponse that names this Questionnaire.",
        *(paragraph(item.text) for item in questions.item),
    )
    body["subjectType"] = ["Patient"]
    body["item"] = list(map(_question, questions.item))
    return body


def _question(item: Item) -> Resource:
    asked: Resource = {"linkId": item.id, "text": item.text, "type": "boolean"}
    if item.type is AnswerType.DAYS:
        bounds = zip(_LEAST_AND_MOST, (0, item.most), strict=True)
        asked["extension"] = [{"url": url, "valueInteger": value} for url, value in bounds]
        asked["type"] = "integer"
    return asked
