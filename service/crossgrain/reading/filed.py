"""What has been filed of a plan of ours: its care plan, orders, draws, acts and checkpoint.

Known by the plan's name, which every one of them carries. What is ours by its name and cannot be
read further is listed all the same: it is then replaced, never left to stand unseen.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field, replace
from datetime import date
from typing import Any

from crossgrain.dosing.targets import Combining
from crossgrain.names.identity import PLAN_SYSTEM, RESOURCE_SYSTEM
from crossgrain.names.values import frozen
from crossgrain.reading.codesystems import Loinc
from crossgrain.reading.resolve import Entry
from crossgrain.reading.series_mark import mark_in
from crossgrain.safety.facts import Analyte

Resource = Mapping[str, Any]
DRAWN_AS: Mapping[Analyte, str] = {
    Analyte.TSH: "3016-3",
    Analyte.FREE_T4: "3024-7",
    Analyte.FREE_T3: "3051-0",
}
"""The LOINC codes under which draws are ordered, in the order in which they are asked for."""
_NAMED_BY = {
    "MedicationRequest": "groupIdentifier",
    "ServiceRequest": "requisition",
    "Task": "groupIdentifier",
    "RequestGroup": "groupIdentifier",
    "RequestOrchestration": "groupIdentifier",
}
"""The element that carries the plan's name; a care plan carries it in its extension."""
OVER = {
    "completed", "stopped", "cancelled", "revoked", "entered-in-error", "ended", "rejected",
    "failed",
}  # fmt: skip
"""Statuses of an order, an act or a plan that nobody follows any more."""

TASK_CODE = "http://hl7.org/fhir/CodeSystem/task-code"
SUSPEND = "suspend"
"""Of FHIR's codes for what a Task does to a request: not to be carried out for now."""
ABORT = "abort"
"""The same: no longer active from a day on."""
ON_HOLD = "on-hold"
"""Status of an order or an act that waits."""


@frozen
class Filed:
    """One resource of a plan of ours.

    Attributes
    ----------
    reference : how the input refers to it
    resource_type, status : its type, and its status as written
    plan_id : the plan that it belongs to
    name : its own business identifier, or empty
    option : whether it waits for a choice at the checkpoint
    code, days : of what is to be measured or done, its code (LOINC before others) and dates as
        written
    focus : of an act, the order that it is about
    given : whether the record does not hold it, and the plan in the call does
    address : where it is, as the input says; of an act alone
    resource : an act as it stands, so that it can be filed anew with another status
    """

    reference: str
    resource_type: str
    status: str
    plan_id: str
    name: str = ""
    option: bool = False
    code: str = ""
    days: tuple[str, ...] = ()
    focus: str = ""
    given: bool = False
    address: str = ""
    resource: Resource = field(default_factory=dict, compare=False, repr=False)

    @property
    def dates(self) -> tuple[str, ...]:
        """Its days without the time of day."""
        return tuple(day[:10] for day in self.days)

    @property
    def is_draw(self) -> bool:
        """Whether it asks for one of the labs that decide."""
        return self.code in DRAWN_AS.values()

    @property
    def stands(self) -> bool:
        """Whether nobody has ended it yet."""
        return self.status not in OVER


def filed_among(
    entries: Iterable[Entry], combining: Combining, *, given: bool = False
) -> list[Filed]:
    """What is ours among resources.

    `given`: they came as the plan of the call, not as the patient's record.
    """
    return [found for entry in entries for found in _filed(entry, combining, given=given)]


def _filed(entry: Entry, combining: Combining, *, given: bool) -> Iterator[Filed]:
    """One, or of a request for several tests one for each of them."""
    kind, resource = entry.kind, entry.resource
    plan_id = _plan_of(resource, combining)
    if not plan_id:
        return
    focus = resource.get("focus")
    tests = resource.get("orderDetail") if kind == "ServiceRequest" else None
    one = Filed(
        reference=entry.reference,
        resource_type=kind,
        status=_text(resource.get("status")),
        plan_id=plan_id,
        name=next(_values(resource.get("identifier"), RESOURCE_SYSTEM), ""),
        option=resource.get("intent") == "option",
        code=_code(resource.get("code")),
        days=tuple(_days(resource)),
        focus=_text(focus.get("reference")) if isinstance(focus, dict) else "",
        given=given,
        address=entry.address if kind == "Task" else "",
        resource=resource if kind == "Task" else {},
    )
    if isinstance(tests, list) and tests:
        yield from (replace(one, code=_code(each)) for each in tests)
    else:
        yield one


def _plan_of(resource: Resource, combining: Combining) -> str:
    element = _NAMED_BY.get(_text(resource.get("resourceType")))
    named = next(_values(resource.get(element or ""), PLAN_SYSTEM), "")
    if named:
        return named
    mark = mark_in(resource.get("extension"), combining)
    return mark.facts.plan_id if mark else ""


def _values(identifiers: object, system: str) -> Iterator[str]:
    every = identifiers if isinstance(identifiers, list) else [identifiers]
    for each in every:
        if isinstance(each, dict) and each.get("system") == system:
            yield _text(each.get("value"))


def _code(code: object) -> str:
    """What is asked for, in the form of R4 or of R5: the LOINC code, else the first."""
    if not isinstance(code, dict):
        return ""
    concept = code.get("concept", code)
    codings = concept.get("coding") if isinstance(concept, dict) else None
    told = [
        each for each in (codings if isinstance(codings, list) else ()) if isinstance(each, dict)
    ]
    ordered = sorted(told, key=lambda coding: coding.get("system") != Loinc.system)
    return next((_text(coding.get("code")) for coding in ordered), "")


def _days(resource: Resource) -> Iterator[str]:
    timing = resource.get("occurrenceTiming")
    events = timing.get("event") if isinstance(timing, dict) else None
    once = resource.get("occurrenceDateTime")
    restriction = resource.get("restriction")
    period = restriction.get("period") if isinstance(restriction, dict) else None
    period = resource.get("requestedPeriod", period)  # R5
    acts_on = period.get("start") if isinstance(period, dict) else None
    for day in (*(events if isinstance(events, list) else ()), once, acts_on):
        if isinstance(day, str):
            yield day


def is_date(text: str) -> bool:
    """Whether it is a whole date."""
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""
