"""One FHIR ``Dosage`` to the amounts of a cycle of days, or a question.

Everything that could change the dose is either read, compared or asked about. Free text is
read by the grammar in `sig`; a dose that stands only there is to be confirmed.
"""

from collections.abc import Mapping, Sequence
from fractions import Fraction

import msgspec
from msgspec.structs import replace

from crossgrain.dosing.preparations import Preparation
from crossgrain.fhir.read.dosage_refusals import refuse_other_routes, refuse_what_leaves_it_open
from crossgrain.fhir.read.elements import Dosage, DoseAndRate
from crossgrain.fhir.read.errors import Asked
from crossgrain.fhir.read.labelled import labelled
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.product import Product, strengths_of
from crossgrain.fhir.read.quantities import Amount, amount_of, in_unit, mean, plain, scaled, total
from crossgrain.fhir.read.schedule import Schedule
from crossgrain.fhir.read.sig import Part, Sig, Traces, read_sig, traces_in
from crossgrain.fhir.read.timing import schedule_of
from crossgrain.fhir.read.units import Dimension

Stated = tuple[str, Amount]
"""An amount, and the FHIRPath where it stands."""


class ReadDose(msgspec.Struct, frozen=True):
    """What one dosage says.

    Attributes
    ----------
    preparation : the product line, now certain
    cycle : amount of each day, in its unit
    from_text : the dose, its timing or the strength that it rests on stands only in words
    assumed : what was settled on the way and is to be confirmed, or empty
    """

    preparation: Preparation
    cycle: tuple[Fraction, ...]
    from_text: bool = False
    assumed: str = ""

    @property
    def daily(self) -> Fraction:
        """Mean amount a day."""
        return mean(self.cycle)


class _Scale(msgspec.Struct, frozen=True):
    """How amounts become doses: the product, the lines, and the dosage's FHIRPath."""

    product: Product
    preparations: Mapping[str, Preparation]
    path: str

    def dose(self, stated: Sequence[Stated], schedule: Schedule) -> ReadDose:
        """Amounts that state one dose (ordered in tablets, calculated in µg), which must agree."""
        doses = [self._one(amount, schedule, place) for place, amount in self._usable(stated)]
        first = doses[0]
        if any((d.preparation, d.cycle) != (first.preparation, first.cycle) for d in doses[1:]):
            said = " and ".join(f"{in_unit(d.daily, d.preparation)} a day" for d in doses)
            raise Asked(self.path, f"The dose is given as {said}. Which one is taken?")
        return first

    def dose_of(self, part: Part) -> ReadDose:
        """What one part of a text says."""
        amounts = [part.amount] if part.mass is None else [part.mass, part.amount]
        return self.dose([(f"{self.path}.text", amount) for amount in amounts], part.schedule)

    def _one(self, amount: Amount, schedule: Schedule, place: str) -> ReadDose:
        each = labelled(amount, self.product, self.preparations, place)
        cycle = tuple(scaled(each.amount, doses) for doses in schedule.doses)
        in_words = each.in_words or schedule.in_words
        return ReadDose(each.preparation, cycle, in_words, each.assumed)

    def _usable(self, stated: Sequence[Stated]) -> Sequence[Stated]:
        """Leave out tablets of unknown strength where a mass stands beside them."""
        known = self.product.strength is not None or self.product.strength_grains is not None
        if known:
            return stated
        masses = [s for s in stated if s[1].dimension is not Dimension.PIECE]
        return masses or stated


def read_dosage(
    dosage: Dosage,
    product: Product,
    preparations: Mapping[str, Preparation],
    path: str,
    notes: Notes,
) -> ReadDose:
    """The dose of one dosage.

    Raises
    ------
    Asked
        for whatever leaves the dose uncertain.
    """
    refuse_what_leaves_it_open(dosage, path)
    refuse_other_routes(dosage, path)
    scale = _Scale(product, preparations, path)
    amounts = _amounts(dosage.dose_and_rate, path)
    schedule = schedule_of(dosage.timing, f"{path}.timing") if dosage.timing else None
    sig = read_sig(dosage.text) if dosage.text else None
    _say_what_was_passed_over(dosage, path, sig, notes)
    if not amounts or schedule is None:
        if sig is None:
            raise _missing(dosage, bool(amounts), schedule is not None, path)
        return _partly_from_text(amounts, schedule, sig, scale)
    dose = scale.dose(amounts, schedule)
    if sig:
        _compare(dose, sig, scale)
    elif dosage.text:
        _compare_traces(traces_in(dosage.text), amounts, schedule, product, path)
    return dose


def _amounts(doses: Sequence[DoseAndRate], path: str) -> list[tuple[str, Amount]]:
    found: list[tuple[str, Amount]] = []
    for number, dose in enumerate(doses):
        place = f"{path}.doseAndRate[{number}]"
        if dose.rate_quantity or dose.rate_range or dose.rate_ratio:
            raise Asked(f"{place}.rate", "The dose is a rate. How much is taken at a time?")
        if dose.dose_range:
            found.append((f"{place}.dose", _range(dose, f"{place}.dose")))
        elif dose.dose_quantity:
            found.append((f"{place}.dose", amount_of(dose.dose_quantity, f"{place}.dose")))
    return found


def _range(dose: DoseAndRate, path: str) -> Amount:
    low = dose.dose_range and dose.dose_range.low
    high = dose.dose_range and dose.dose_range.high
    if low and high:
        ends = amount_of(low, f"{path}.low"), amount_of(high, f"{path}.high")
        if ends[0] == ends[1]:
            return ends[0]
    raise Asked(path, "The dose is a range. Which dose is taken as a rule?")


def _say_what_was_passed_over(dosage: Dosage, path: str, sig: Sig | None, notes: Notes) -> None:
    if dosage.text and sig is None and dosage.dose_and_rate:
        notes.unread(f"{path}.text", "the words were not compared with the coded dose")
    if dosage.patient_instruction:
        notes.unread(f"{path}.patientInstruction", "free text is not read here")
    if dosage.additional_instruction:
        notes.unread(f"{path}.additionalInstruction", "additional instructions are not read")
    if dosage.max_dose_per_period:
        notes.unread(f"{path}.maxDosePerPeriod", "an upper limit is not a dose taken")
    repeat = dosage.repeat
    if repeat and (repeat.bounds_duration or repeat.bounds_range or repeat.count is not None):
        notes.confirm(
            f"{path}.timing.repeat", "The dose is written for a limited time. Is it taken now?"
        )


def _partly_from_text(
    amounts: list[Stated], schedule: Schedule | None, sig: Sig, scale: _Scale
) -> ReadDose:
    """A dose whose amount, timing or both stand only in words."""
    if amounts and len(sig.parts) > 1:
        raise Asked(scale.path, "The coded dose and the words differ. Which one is taken?")
    if schedule and not all(schedule.same_as(part.schedule) for part in sig.parts):
        raise Asked(scale.path, "The coded timing and the words differ. Which one is right?")
    doses = [
        scale.dose(
            [*amounts, (f"{scale.path}.text", part.mass or part.amount)],
            schedule or part.schedule,
        )
        for part in sig.parts
    ]
    days = [total(day) for day in zip(*(dose.cycle for dose in doses), strict=True)]
    return replace(doses[0], cycle=tuple(days), from_text=True)


def _missing(dosage: Dosage, has_dose: bool, has_timing: bool, path: str) -> Asked:
    where = f"{path}.text" if dosage.text else path
    words = " The words could not be read with certainty." if dosage.text else ""
    if has_dose:
        return Asked(where, f"How often is the dose taken?{words}")
    if has_timing:
        return Asked(where, f"How much is taken at a time?{words}")
    return Asked(where, f"How much is taken, and how often?{words}")


def _compare(dose: ReadDose, sig: Sig, scale: _Scale) -> None:
    """The words beside a coded dose must say the same mean amount a day."""
    try:
        words = [scale.dose_of(part) for part in sig.parts]
    except Asked:
        return  # the words alone would not give a dose; the coded one stands
    said = total([part.daily for part in words])
    if said != dose.daily:
        raise Asked(
            scale.path,
            f"The coded dose comes to {in_unit(dose.daily, dose.preparation)} a day and the words"
            f" to {plain(said)}. Which one is taken?",
        )


def _compare_traces(
    traces: Traces, amounts: Sequence[Stated], schedule: Schedule, product: Product, path: str
) -> None:
    """Words that are not read must not name another frequency or another amount alone."""
    if traces.schedules and not any(schedule.same_as(said) for said in traces.schedules):
        raise Asked(
            path,
            f"The coded timing comes to {plain(schedule.per_day)} doses a day and the words name"
            f" {plain(traces.schedules[0].per_day)}. Which one is right?",
        )
    coded = [amount for _, amount in amounts]
    known = [*coded, *strengths_of(product)]
    for dimension in {amount.dimension for amount in known}:
        said = [amount for amount in traces.amounts if amount.dimension is dimension]
        if said and not any(amount in known for amount in said):
            raise Asked(
                path, "The coded dose and the words name different amounts. Which is taken?"
            )
