"""``$apply``, at our PlanDefinition or at its type: the same plan by the standard operation.

An operation of ours based on the core ``$apply``: ``data`` carries the record, since nothing is
stored here, and ``parameters`` the options of ``$propose-switch``. R4 answers with a CarePlan
that contains everything it refers to, R5 with one Bundle per subject, here always one.

What ``$propose-switch`` answers with questions or with a safety stop has no plan to apply; it
is 422 here, with the same questions and findings.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from crossgrain import __version__
from crossgrain.core.proposal import Outcome, Proposal
from crossgrain.names.identity import MODULE_CANONICAL, FhirVersion
from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import Complaint, Fault, RequestRefused, refusal
from crossgrain.operations.options import Option
from crossgrain.operations.parameters import (
    Call,
    Given,
    Options,
    elements_of,
    read_options,
    resource_in,
)
from crossgrain.operations.propose_switch import Settled, answer_to, settle_call
from crossgrain.reading.resolve import without_version
from crossgrain.safety.rule import Severity

Resource = dict[str, Any]


def care_plan_alone(bundle: Resource) -> Resource:
    """The CarePlan of an answer, the other resources contained.

    References between them become fragments: ``#`` and the id, and ``#`` alone for the CarePlan
    itself. Nothing contained may itself contain, so what the GuidanceResponse and the Provenance
    contain stands beside them.
    """
    care_plan = next(r for r in _resources(bundle) if r["resourceType"] == "CarePlan")
    fragments = {
        f"urn:uuid:{resource['id']}": "#" if resource is care_plan else f"#{resource['id']}"
        for resource in _resources(bundle)
    }
    contained: dict[str, Resource] = {}
    for resource in _resources(bundle):
        if resource is not care_plan:
            for part in _flat(resource):
                contained[part["id"]] = _by_fragment(part, fragments)
    alone: Resource = _by_fragment(care_plan, fragments)
    head = ("resourceType", "id", "text")
    return {
        **{key: alone[key] for key in head},
        "contained": list(contained.values()),
        **{key: value for key, value in alone.items() if key not in head},
    }


def _resources(bundle: Resource) -> Iterator[Resource]:
    return (entry["resource"] for entry in bundle["entry"])


def _flat(resource: Resource) -> Iterator[Resource]:
    yield from resource.get("contained", ())
    yield {key: value for key, value in resource.items() if key != "contained"}


def _by_fragment(node: Any, fragments: Mapping[str, str]) -> Any:
    if isinstance(node, dict):
        return {
            key: fragments.get(value, value)
            if key == "reference" and isinstance(value, str)
            else _by_fragment(value, fragments)
            for key, value in node.items()
        }
    if isinstance(node, list):
        return [_by_fragment(value, fragments) for value in node]
    return node


RECORD, OPTIONS = "data", "parameters"
_NOT_USED = "Taken, and of no effect on the plan."


def _context(name: str, key: str, meaning: str, *, repeatable: bool = False) -> Option:
    return Option(name, key, meaning, lambda value: value, (), repeatable, in_query=False)


CONTEXT = (
    _context(
        "subject",
        "valueString",
        "The patient, as the record refers to it, e.g. Patient/p01. Exactly one, and the record's.",
        repeatable=True,
    ),
    _context("encounter", "valueString", f"The encounter in context. {_NOT_USED}"),
    _context("practitioner", "valueString", f"Who applies the plan. {_NOT_USED}"),
    _context("organization", "valueString", f"The organization that applies it. {_NOT_USED}"),
    _context("userType", "valueCodeableConcept", f"The type of user. {_NOT_USED}"),
    _context("userLanguage", "valueCodeableConcept", f"The user's language. {_NOT_USED}"),
    _context("userTaskContext", "valueCodeableConcept", f"The user's task. {_NOT_USED}"),
    _context("setting", "valueCodeableConcept", f"The setting. {_NOT_USED}"),
    _context("settingContext", "valueCodeableConcept", f"Detail of the setting. {_NOT_USED}"),
)
"""What the core operation takes at instance level."""


_FORMS = {"response", "detail"}
"""Core's operation says itself what it answers with."""


def plan_options(desk: Desk) -> tuple[Option, ...]:
    """The options in ``parameters``: those of ``$propose-switch`` but the form of its answer."""
    return tuple(option for option in desk.switch_options if option.name not in _FORMS)


def apply(
    desk: Desk, body: dict[str, Any], beside: Sequence[Given], version: FhirVersion
) -> dict[str, Any]:
    """The whole operation.

    Raises
    ------
    RequestRefused
        where the call is unusable, the subject is not the record's patient, or there is no plan.
    """
    return _applied(desk, body, beside, version)


def _parameters(body: dict[str, Any]) -> list[dict[str, Any]]:
    if body.get("resourceType") != "Parameters":
        raise refusal(Fault.INPUT_SHAPE, "resourceType", "send a Parameters resource")
    return elements_of(body)


def _applied(
    desk: Desk,
    body: dict[str, Any],
    beside: Sequence[Given],
    version: FhirVersion,
    apart: Sequence[str] = (),
) -> dict[str, Any]:
    """The answer; the parameters `apart` have been looked at before."""
    parameters = _parameters(body)
    context = read_options(Call({}, "Parameters", _given(parameters, apart)), CONTEXT)
    call = Call(*_record(parameters), (*_nested(parameters), *beside))
    options = replace(read_options(call, plan_options(desk)), where_to_give=_where_to_give)
    settled = settle_call(desk, call, options, version)
    _check_subject(context, call, settled.proposal)
    if settled.proposal.outcome is not Outcome.PLAN:
        raise RequestRefused(*_why_no_plan(settled.proposal))
    return _answer(desk, settled, version)


def apply_at_type(
    desk: Desk, body: dict[str, Any], beside: Sequence[Given], version: FhirVersion
) -> dict[str, Any]:
    """The same at type level, where the call itself names the definition that is applied.

    Raises
    ------
    RequestRefused
        as for `apply`; ``not-found`` where the definition is not ours.
    """
    names = _NAMES_DEFINITION[version]
    named = [
        (place, parameter)
        for place, parameter in enumerate(_parameters(body))
        if parameter.get("name") in names
    ]
    if len(named) != 1:
        fault = Fault.OPTION_REPEATED if named else Fault.OPTION_MISSING
        where = f"[{named[1][0]}]" if named else f".where(name='{names[0]}')"
        words = f"name one plan definition: {' or '.join(names)}"
        raise refusal(fault, f"Parameters.parameter{where}", words)
    ((place, parameter),) = named
    if not _is_ours(parameter):
        words = f"the one plan definition here is {MODULE_CANONICAL}"
        raise refusal(Fault.NOT_FOUND, f"Parameters.parameter[{place}]", words)
    return _applied(desk, body, beside, version, names)


_NAMES_DEFINITION = {
    FhirVersion.R4: ("planDefinition",),
    FhirVersion.R5: ("planDefinition", "url"),
}
"""How a call at type level names the definition, by version."""
_CANONICALS = ("valueCanonical", "valueUri", "valueString")


def _is_ours(parameter: dict[str, Any]) -> bool:
    """Whether a parameter names our plan definition, or holds it, in this version or in none."""
    held = parameter.get("resource")
    if isinstance(held, dict):
        named = held.get("url")
        version = held.get("version", __version__)
    else:
        named = next((parameter[key] for key in _CANONICALS if key in parameter), None)
        named, _, version = str(named or "").partition("|")
        version = version or __version__
    return named == MODULE_CANONICAL and version == __version__


def _given(parameters: list[dict[str, Any]], apart: Sequence[str]) -> tuple[Given, ...]:
    return tuple(
        Given(parameter.get("name"), parameter, f"Parameters.parameter[{place}]")
        for place, parameter in enumerate(parameters)
        if parameter.get("name") not in (RECORD, OPTIONS, *apart)
    )


def _record(parameters: list[dict[str, Any]]) -> tuple[dict[str, Any], str]:
    found = resource_in(parameters, RECORD)
    if found is None:
        raise refusal(
            Fault.RECORD_MISSING,
            f"Parameters.parameter.where(name='{RECORD}')",
            "nothing is stored here: give the patient's record, a parameter named data with a"
            " Bundle as its resource",
        )
    record, root = found
    if not isinstance(record, dict) or record.get("resourceType") != "Bundle":
        raise refusal(Fault.INPUT_SHAPE, root, "the record is a Bundle")
    return record, root


def _nested(parameters: list[dict[str, Any]]) -> tuple[Given, ...]:
    found = resource_in(parameters, OPTIONS)
    if found is None:
        return ()
    nested, root = found
    if not isinstance(nested, dict) or nested.get("resourceType") != "Parameters":
        raise refusal(Fault.INPUT_SHAPE, root, "the options are a Parameters resource")
    return tuple(
        Given(parameter.get("name"), parameter, f"{root}.parameter[{place}]")
        for place, parameter in enumerate(elements_of(nested, root))
    )


def _where_to_give(name: str) -> str:
    return f"Parameters.parameter.where(name='{OPTIONS}').resource.parameter.where(name='{name}')"


def _check_subject(context: Options, call: Call, proposal: Proposal) -> None:
    subjects = context.all("subject")
    if not subjects:
        raise refusal(
            Fault.OPTION_MISSING, context.place("subject"), "give the subject: the patient"
        )
    if {without_version(subject) for subject in subjects} - set(_names_of_patient(call, proposal)):
        raise refusal(
            Fault.OPTIONS_DISAGREE,
            context.place("subject"),
            "the plan is applied to one subject, the patient of the record in data",
        )


def _names_of_patient(call: Call, proposal: Proposal) -> Iterator[str]:
    yield without_version(proposal.record.patient_reference)
    for entry in call.record["entry"]:
        if entry["resource"]["resourceType"] == "Patient":
            yield without_version(entry.get("fullUrl") or "")
            yield f"Patient/{entry['resource'].get('id')}"


def _why_no_plan(proposal: Proposal) -> Iterator[Complaint]:
    for question in proposal.record.questions:
        yield Complaint(Fault.RECORD_MISSING, question.expression, question.question)
    for finding in proposal.findings:
        if finding.severity is Severity.STOP:
            yield Complaint(
                Fault.OPTIONS_DISAGREE,
                next((o for o in finding.origins if o.startswith("Parameters.")), None),
                f"{finding.statement} What to do: {finding.action} Source: {finding.source}",
            )


def _answer(desk: Desk, settled: Settled, version: FhirVersion) -> dict[str, Any]:
    bundle = answer_to(desk, settled, version)
    if version is FhirVersion.R4:
        return care_plan_alone(bundle)
    # R5 puts the direct result of applying the definition first.
    entries = sorted(
        bundle["entry"], key=lambda e: e["resource"]["resourceType"] != "RequestOrchestration"
    )
    result = {**bundle, "entry": entries}
    return {"resourceType": "Parameters", "parameter": [{"name": "return", "resource": result}]}
