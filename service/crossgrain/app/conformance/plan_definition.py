"""The PlanDefinition that every answer is an application of."""

from collections.abc import Iterator

from crossgrain.app.conformance.heads import Resource, head
from crossgrain.catalogue import Catalogue
from crossgrain.dosing.bases import Basis
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.identity import MODULE_CANONICAL
from crossgrain.safety.facts import Facts
from crossgrain.safety.tsh import tsh_limits
from crossgrain.words.doses import CAUTION
from crossgrain.writing.conditions import CONDITIONS, for_anyone, variables_note

PLAN_ID = "regimen-switch"
_TYPE_SYSTEM = "http://terminology.hl7.org/CodeSystem/plan-definition-type"
_STEPS = (
    ("Climb", "Build the new medicine up step by step while the old one tapers, or has ended."),
    ("Hold", "Wait at the smallest target that any enabled basis gives, and draw blood there."),
)


def plan_definition(catalogue: Catalogue) -> Resource:
    """Climb, hold, then exactly one branch by the labs; the bases as citations."""
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
        f" $propose-switch. {variables_note(for_anyone(limits).items())} The RequestGroup of an"
        " answer says it for its own patient."
    )
    body["relatedArtifact"] = [_citation(basis) for basis in catalogue.bases]
    body["action"] = [*_steps(), _checkpoint()]
    return body


def _citation(basis: Basis) -> Resource:
    return {"type": "citation", "label": basis.id, "citation": f"{basis.statement} {basis.source}"}


def _steps() -> Iterator[Resource]:
    for title, description in _STEPS:
        yield {"title": title, "description": description}


def _checkpoint() -> Resource:
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
            for condition in CONDITIONS.values()
        ],
    }
