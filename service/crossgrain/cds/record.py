"""The record of a hook's patient, put together from what was gathered and what is in draft."""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from crossgrain.catalogue import Catalogue
from crossgrain.cds.hook import ClientServer, DraftOrder
from crossgrain.cds.services import Gathered, PlacedResource, Template, TemplateAnswer
from crossgrain.names.identity import FhirVersion, stable_id, urn
from crossgrain.names.values import frozen
from crossgrain.operations.faults import Complaint, Fault, RequestRefused, refusal
from crossgrain.reading import reader
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.door import open_record
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.posing import posed_in
from crossgrain.reading.question_form import QuestionForm
from crossgrain.reading.reader import read_record
from crossgrain.reading.record import Question, Record

Resource = dict[str, Any]
_PLACE = re.compile(r"^Bundle\.entry\[(\d+)\]\.resource")


@frozen
class Assembled:
    """A Bundle that the reader takes, and the way back from it to the call.

    Attributes
    ----------
    places : where each entry stands in the call
    orders : URN of each revision in the Bundle → as the client refers to it
    in_session : the orders that are about to be signed, by their references in the Bundle
    """

    bundle: Resource
    places: tuple[str, ...]
    orders: dict[str, str]
    in_session: frozenset[str]

    def place_of(self, expression: str) -> str:
        """A FHIRPath of the Bundle as a place in the call; it as a whole is what came along."""
        if expression == "Bundle":
            return "prefetch"
        return _PLACE.sub(lambda found: self.places[int(found.group(1))], expression)

    def reference(self, reference: str) -> str:
        """A reference of the Bundle as the client's own."""
        return self.orders.get(reference, reference)

    def in_words(self, words: str) -> str:
        """Words with every reference in them as the client's own."""
        for address, reference in self.orders.items():
            words = words.replace(address, reference)
        return words


def assemble(
    gathered: Iterable[Gathered], drafts: Sequence[DraftOrder], server: ClientServer | None = None
) -> Assembled:
    """Put a record together; without an address of its own a resource is the server's.

    An order that revises one that stands goes in under a URN of its own: what stands is what
    is taken until the revision is signed.
    """
    known = {draft.reference: draft for draft in drafts}
    kept = [
        part
        for each in gathered
        for part in each.resources
        if not (_reference(part.resource) in known and part.resource.get("status") == "draft")
    ]
    standing = {_reference(part.resource) for part in kept}
    revisions = {r: urn(stable_id(r)) for r in known if r in standing}
    base = server.base if server else _one_base(kept)
    entries: list[Resource] = [_entry(part, base) for part in kept]
    entries += [
        {"fullUrl": revisions.get(reference, reference), "resource": _to_judge(draft, revisions)}
        for reference, draft in known.items()
    ]
    places = (*(part.place for part in kept), *(draft.place for draft in known.values()))
    record = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    in_session = frozenset(revisions.get(reference, reference) for reference in known)
    return Assembled(record, places, {a: r for r, a in revisions.items()}, in_session)


def _one_base(parts: Iterable[PlacedResource]) -> str:
    """The server that every address of a prefetch is on; empty where there are none, or several.

    A read brings no address, and the call need not name the server that all of it comes from.
    """
    own = [(part.full_url, f"/{_reference(part.resource)}") for part in parts if part.full_url]
    bases = {url.removesuffix(end) if url.endswith(end) else "" for url, end in own}
    return bases.pop() if len(bases) == 1 else ""


def _entry(part: PlacedResource, base: str) -> Resource:
    own = f"{base}/{_reference(part.resource)}" if base and part.resource.get("id") else ""
    address = part.full_url or own
    return {**({"fullUrl": address} if address else {}), "resource": part.resource}


def _reference(resource: Resource) -> str:
    return f"{resource.get('resourceType')}/{resource.get('id')}"


def _to_judge(draft: DraftOrder, revisions: Mapping[str, str]) -> Resource:
    """An order as a draft; where it revises one that stands, it replaces that one."""
    order = {key: value for key, value in draft.resource.items() if key != "id"}
    order["status"] = "draft"
    if draft.reference in revisions:
        order.setdefault("priorPrescription", {"reference": draft.reference})
    return order


def stub_of(patient_id: str) -> Gathered:
    """A patient of whom nothing is known but the id: enough to tell what an order is for."""
    patient = {"resourceType": "Patient", "id": patient_id}
    template = Template("patient", "Patient", "Patient/{{context.patientId}}")
    return Gathered(template, TemplateAnswer.GIVEN, (PlacedResource("context.patientId", patient),))


def read(assembled: Assembled, catalogue: Catalogue, calendar: Calendar) -> Record:
    """Read it as R4.

    Raises
    ------
    RequestRefused
        where it cannot be read as one patient's record at all.
    """
    with _refusing(assembled):
        return read_record(assembled.bundle, **_with(catalogue, calendar))


def form_of(
    assembled: Assembled, questions: Sequence[Question], catalogue: Catalogue, calendar: Calendar
) -> QuestionForm | None:
    """What the record leaves open, with its possible answers; ``None`` where nothing is."""
    if not questions:
        return None
    return posed_in(assembled.bundle, questions, **_with(catalogue, calendar))


def orders_for_hormone(
    assembled: Assembled, catalogue: Catalogue, calendar: Calendar
) -> frozenset[str]:
    """Of the orders in draft those that are for thyroid hormone, or may be, each judged alone.

    Returns
    -------
    As the client refers to them.

    Raises
    ------
    RequestRefused
        where it cannot be told because what must be read cannot be.
    """
    with _refusing(assembled):
        opened = open_record(assembled.bundle, **_with(catalogue, calendar))
        return frozenset(order.reference for order in reader.orders_for_hormone(opened))


def _with(catalogue: Catalogue, calendar: Calendar) -> dict[str, Any]:
    """What every record of a hook is read with."""
    return {
        "version": FhirVersion.R4,
        "as_of": calendar.as_of,
        "zone": calendar.zone,
        "codes": catalogue.codes,
        "preparations": catalogue.preparations,
    }


@contextmanager
def _refusing(assembled: Assembled) -> Iterator[None]:
    """What cannot be read is refused at its place in the call."""
    try:
        yield
    except Unreadable as error:
        place = assembled.place_of(error.expression)
        raise RequestRefused(Complaint(error.category, place, error.message)) from error


def check_patient(gathered: Iterable[Gathered], patient_id: str) -> None:
    """Refuse a record of somebody else."""
    for each in gathered:
        for place, resource, _ in each.resources:
            if resource.get("resourceType") == "Patient" and resource.get("id") != patient_id:
                raise refusal(
                    Fault.OPTIONS_DISAGREE, f"{place}.id", "this is not the patient of the context"
                )


def check_required(gathered: Iterable[Gathered]) -> None:
    """Refuse to judge without what every judgement needs: 412, with what is missing and why."""
    missing = list(_missing(gathered))
    if missing:
        raise RequestRefused(*missing)


def _missing(gathered: Iterable[Gathered]) -> Iterator[Complaint]:
    for each in gathered:
        has_what_it_must = each.is_whole and (each.resources or not each.template.is_read)
        if each.template.required and not has_what_it_must:
            why = f"{each.template.kind} is required" if each.is_whole else each.why_not
            yield Complaint(
                Fault.DATA_INCOMPLETE,
                f"prefetch.{each.template.key}",
                f"{why}: no dose is judged on a part of what is taken",
            )
