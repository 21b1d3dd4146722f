"""One medication resource to dated doses: what was taken, from when, until when."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.currency import Currency, Standing
from crossgrain.reading.dates import read_date
from crossgrain.reading.dose_lines import Doses, doses_of
from crossgrain.reading.elements import CodeableConcept
from crossgrain.reading.errors import Asked, Unreadable
from crossgrain.reading.history import keys_in
from crossgrain.reading.instructions import (
    Numbered,
    Run,
    doubtful_days,
    numbered_in,
    runs_of,
    without_shared_days,
)
from crossgrain.reading.medication_entries import unasked_doses, unasked_medicine
from crossgrain.reading.medication_resources import (
    Seen,
    dosages_of,
    group_of,
    product_named,
    replaced_by,
    sayings_beside,
    seen_in,
    sources_of,
    standing_of,
)
from crossgrain.reading.notes import Notes
from crossgrain.reading.person import say_whose
from crossgrain.reading.product import Product
from crossgrain.reading.reading import Reading
from crossgrain.reading.record import MarkedOrder
from crossgrain.reading.resolve import Entry
from crossgrain.reading.sayings import Saying
from crossgrain.reading.series import marked_order
from crossgrain.reading.taking import Claim, Denial, Denier, latest_day, may_deny
from crossgrain.reading.views import MedicationRequest, MedicationStatement, Medicine, view
from crossgrain.screening.course import Dispense, End, Intake, Undecided


class MedicationDispense(Medicine):
    """As far as it is read: what was handed over, and when."""

    when_handed_over: str | None = None


@dataclass(frozen=True, slots=True)
class Dated:
    """A thyroid medicine that was taken, or was not, before its doses are read.

    `stems_from` are the resources that a statement was made from, `replaces` the order whose
    place this one takes, both by their references in the record.
    `marked` is what an order says of the series that it is part of, taken or not;
    `open_question` is why it cannot be told whether it was taken, or empty.
    """

    entry: Entry
    seen: Seen
    product: Product
    standing: Currency
    stems_from: frozenset[str] = frozenset()
    replaces: str | None = None
    marked: MarkedOrder | None = None
    open_question: str = ""

    @property
    def kind(self) -> Kind:
        """The kind of preparation."""
        return self.product.kind

    @property
    def reference(self) -> str:
        """How the record names it."""
        return self.entry.reference

    @property
    def taken(self) -> bool:
        """Whether it says that it is, or was, taken."""
        return self.standing.standing in {Standing.TAKEN, Standing.PAST}

    @property
    def says_so(self) -> bool:
        """Where it was not taken: whether it says so, and is no mere slip or draft."""
        return may_deny(self.seen) and self.seen.status != "entered-in-error"

    def claim(self, lines: Sequence[DoseLine], as_of: date) -> Claim:
        """That it was taken, to be held against what says that it was not."""
        return Claim(
            self.entry.path,
            self.reference,
            self.kind,
            lines,
            latest_day(self.seen, self.entry.path, as_of),
            self.stems_from,
            stated=isinstance(self.seen, MedicationStatement),
        )

    def denial(self, reading: Reading) -> Denial | None:
        """What it says against the taking of the same medicine."""
        doses = unasked_doses(self.seen, self.product, self.entry, reading)
        denier = Denier(
            self.seen, self.entry.path, self.reference, self.kind, self.standing, doses.lines
        )
        return denier.denial(reading.as_of)


def dated_medicine(entry: Entry, reading: Reading) -> Dated | None:
    """A thyroid medicine: taken, marked as a step of a series, or said not to be taken.

    ``None`` for any other resource, and for an order that nobody signed or that was no order.

    Raises
    ------
    Unreadable
        where the resource is not FHIR.
    Undecided
        where it cannot be told whether it is thyroid hormone.
    """
    seen = seen_in(entry, reading)
    unsettled = ""
    try:
        product, concept = product_named(seen, entry, reading)
    except Asked as asked:
        product, concept, unsettled = None, None, asked.question
    if product is None and not unsettled:
        _check_other(seen, concept, entry, reading)
        return None
    open_question = ""
    try:
        standing = standing_of(seen, entry, reading)
    except Asked as asked:
        standing, open_question = Currency(Standing.TAKEN), asked.question
    marked = _marked(seen, product, standing, entry, reading)
    untaken = standing.standing in {Standing.DRAFT, Standing.NOT_TAKEN}
    if untaken and marked is None and (product is None or not may_deny(seen)):
        return None
    if product is None:
        raise Undecided(unsettled, (entry.reference,))
    reading.budget.count_hormone(entry.path)
    return Dated(
        entry,
        seen,
        product,
        standing,
        stems_from=frozenset(source.reference for source in sources_of(seen, entry, reading)),
        replaces=replaced_by(seen, entry, reading),
        marked=marked,
        open_question=open_question,
    )


def _check_other(
    seen: Seen, concept: CodeableConcept | None, entry: Entry, reading: Reading
) -> None:
    """Let another medicine that cannot be read be listed, and never refuse a record for one."""
    try:
        standing_of(seen, entry, reading)
    except Asked:
        return
    except Unreadable:
        if not keys_in(concept, reading.codes.concerns.medicines):
            raise


def _marked(
    seen: Seen, product: Product | None, standing: Currency, entry: Entry, reading: Reading
) -> MarkedOrder | None:
    """What an order says of the series that it is part of; ``None`` where it says nothing."""
    if product is None or not isinstance(seen, MedicationRequest) or not seen.extension:
        return None
    try:
        medicine = unasked_medicine(seen, product, entry, standing, reading)
    except Asked:
        return None
    return marked_order(seen, medicine)


def intakes_of(medicine: Dated, reading: Reading) -> Iterator[Intake]:
    """The doses of one resource, each with its days.

    Dosages with bounds of their own follow one another (a climb in one order); the rest hold
    as long as the resource does. On days on which dosages overlap, or that they leave between
    them, what was taken is in doubt.

    Raises
    ------
    Undecided
        where it is not said since when the medicine was taken.
    """
    dosages, path = dosages_of(medicine.seen, medicine.entry)
    numbered = numbered_in(dosages, path)
    runs = without_shared_days(runs_of(numbered, reading.as_of))
    if len(runs) <= 1:
        runs = [Run(None, None, tuple(numbered))]
    beside = sayings_beside(medicine.seen, medicine.entry, reading)
    for run in runs:
        days = _days(run, medicine.standing)
        if days[0] is None:
            raise Undecided(
                f"since when a {medicine.kind} medicine was taken is not said",
                (medicine.entry.reference,),
            )
        if days[0] <= 0:
            yield _intake(medicine, days[0], days[1], run.numbered, beside, reading)
    for (first, last), doubt in doubtful_days(runs, path):
        begins = first if first is not None else medicine.standing.first_day or 0
        if begins <= 0:
            yield _taken_on(medicine, begins, last, doubt=doubt)


def _intake(
    medicine: Dated,
    first: int,
    last: int | None,
    numbered: Sequence[Numbered],
    beside: Sequence[Saying],
    reading: Reading,
) -> Intake:
    apart = Notes()
    seen, doubt = medicine.seen, ""
    _, path = dosages_of(seen, medicine.entry)
    try:
        doses = doses_of(numbered, medicine.product, path, reading.with_notes(apart), beside)
    except Asked as asked:
        doses, doubt = None, asked.question
    if seen.modifier:
        doubt = "A thyroid medicine carries a modifier that is not known."
    for question in apart.questions:
        doubt = doubt or question.question
    if not (doses and doses.lines):
        doubt = doubt or "No dose of a thyroid medicine is given."
    return _taken_on(medicine, first, last, doses, doubt)


def _taken_on(
    medicine: Dated, first: int, last: int | None, doses: Doses | None = None, doubt: str = ""
) -> Intake:
    group = group_of(medicine.seen)
    past = medicine.standing.standing is Standing.PAST
    return Intake(
        kind=medicine.kind,
        lines=doses.lines if doses and not doubt else (),
        first_day=first,
        last_day=last,
        end=End.DATED if last is not None else End.UNDATED if past else End.OPEN,
        reference=medicine.entry.reference,
        group="|".join(group) if group else medicine.entry.reference,
        replaces=frozenset({medicine.replaces} if medicine.replaces else ()),
        from_text=bool(doses and doses.from_text),
        doubt=doubt,
    )


def _days(run: Run, own: Currency) -> tuple[int | None, int | None]:
    """From when until when: the dosages' own bounds, else those of their resource.

    Of an order that was given up on a day that is not told, the dose of today ended some time.
    """
    first = own.first_day if run.first_day is None else run.first_day
    last = own.last_day if run.last_day is None else run.last_day
    given_up = own.standing is Standing.PAST and own.last_day is None
    return first, None if given_up and last is not None and last >= 0 else last


def dispense_of(entry: Entry, reading: Reading) -> Dispense | None:
    """A hand-over of thyroid hormone that took place; ``None`` for any other.

    It is a sign beside the orders, never a dose, so one that cannot be read is passed over.
    """
    seen = view(entry.resource, MedicationDispense, entry.path)
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    if seen.status != "completed" or seen.when_handed_over is None:
        return None
    day = read_date(seen.when_handed_over, f"{entry.path}.whenHandedOver").day(reading.as_of)
    try:
        product, _ = product_named(seen, entry, reading)
    except Asked:
        return None
    if product is None or day is None or day > 0:
        return None
    return Dispense(product.kind, day, entry.reference)
