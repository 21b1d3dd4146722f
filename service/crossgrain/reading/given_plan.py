"""A plan that comes beside a record, an earlier answer or its care plan, held to what that is.

All of it may be filed beside the next step. So every resource of it is of the record's patient and
of the version that is spoken, and something in it says, soundly, of what plan it is; a plan that
could only be passed over is refused.
"""

from collections.abc import Sequence
from typing import Any, Unpack

import msgspec

from crossgrain.names.identity import urn
from crossgrain.reading.door import Look, Opened, open_record
from crossgrain.reading.elements import ReadCategory, Reference, Unreadable, View
from crossgrain.reading.reading import Reading
from crossgrain.reading.record import MarkedOrder
from crossgrain.reading.resolve import BundleIndex, Entry
from crossgrain.reading.series import marked_in_plan
from crossgrain.reading.shapes import check_type, check_version
from crossgrain.reading.views import view

_SAYS_WHOSE = {
    "CarePlan": "subject",
    "DetectedIssue": "patient",
    "DocumentReference": "subject",
    "GuidanceResponse": "subject",
    "MedicationRequest": "subject",
    "RequestGroup": "subject",
    "RequestOrchestration": "subject",
    "ServiceRequest": "subject",
    "Task": "for",
}
"""What an answer holds of a patient, and the element that says of which."""
_WHAT_TO_GIVE = (
    "give the whole answer of $propose-switch or $next-step in which it was proposed (not"
    " detail=brief), or its CarePlan, as it was proposed or filed"
)


class _Whose(View):
    subject: Reference | None = None
    patient: Reference | None = None
    for_: Reference | None = msgspec.field(default=None, name="for")

    @property
    def told(self) -> tuple[str, Reference] | None:
        """The element that says whose it is, and what it says."""
        elements = ("subject", self.subject), ("patient", self.patient), ("for", self.for_)
        return next(((name, whose) for name, whose in elements if whose), None)


def resources_of(plan: dict[str, Any], root: str) -> Sequence[Entry]:
    """The resources of an earlier answer, or the care plan that it is."""
    kind, own = plan["resourceType"], plan.get("id")
    if kind == "Bundle":
        return BundleIndex(plan, root).entries
    return (Entry(root, urn(own) if isinstance(own, str) else root, kind, plan),)


def marks_in(
    plan: dict[str, Any], plan_root: str, bundle: dict[str, Any], **look: Unpack[Look]
) -> tuple[MarkedOrder, ...]:
    """What a plan that is given beside a record says of itself: as if it had been taken up.

    Parameters
    ----------
    plan : an earlier answer (a Bundle) or its CarePlan
    plan_root : FHIRPath of it in the input
    bundle, look : the record, as `open_record` takes it

    Raises
    ------
    Unreadable
        where something in it is of another patient or version, or cannot be read as a plan.
    """
    opened = open_record(bundle, **look)
    entries = resources_of(plan, plan_root)
    for entry in entries:
        _check_version(entry, opened.reading)
        _check_whose(entry, opened)
    marked = tuple(
        one for entry in entries if (one := marked_in_plan(entry, opened.reading.codes.combining))
    )
    if not marked:
        raise Unreadable(
            ReadCategory.CONFLICT, plan_root, f"there is no plan in this: {_WHAT_TO_GIVE}"
        )
    return marked


def _check_version(entry: Entry, reading: Reading) -> None:
    foreign = check_type(entry.kind, reading.shape, entry.path)
    if foreign:
        raise Unreadable(ReadCategory.NOT_SUPPORTED, entry.path, foreign)
    check_version(entry.resource, entry.kind, reading.shape, entry.path)


def _check_whose(entry: Entry, opened: Opened) -> None:
    if entry.kind == "Patient":
        opened.identity.check(Reference(reference=entry.reference), entry, entry.path)
        return
    expected = _SAYS_WHOSE.get(entry.kind)
    told = view(entry.resource, _Whose, entry.path).told
    if told or expected:
        element, whose = told or (expected, Reference())
        opened.identity.check(whose, entry, f"{entry.path}.{element}")
