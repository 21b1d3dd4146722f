"""One FHIR ``Dosage`` to the amounts of a cycle of days, or a question.

Everything that could change the dose is either read, compared or asked about. Free text is
read by the grammar in `sig`; a dose that stands only there is to be confirmed.
"""

import re
from collections.abc import Mapping, Sequence
from fractions import Fraction

import msgspec
from msgspec.structs import replace

from crossgrain.dosing.preparations import Preparation
from crossgrain.reading.elements import Asked, Dosage, DoseAndRate
from crossgrain.reading.product import Product, labelled, refuse_unless_tablets_make, strengths_of
from crossgrain.reading.quantities import Amount, Dimension, amount_of, in_unit, mean, scaled, total
from crossgrain.reading.reading import Notes, Reading
from crossgrain.reading.sayings import SettledDose, compare, compare_limits, words_in
from crossgrain.reading.schedule import Schedule
from crossgrain.reading.sig import Sig, SigPart
from crossgrain.reading.timing import schedule_of


def refuse_what_leaves_it_open(dosage: Dosage, path: str) -> None:
    """Ask about a modifier, the shape of an older FHIR, and a dose taken as needed.

    Raises
    ------
    Asked
        naming the element.
    """
    if dosage.modifier:
        raise Asked(
            f"{path}.modifierExtension",
            "The dosage carries a modifier that is not known. What dose is taken?",
        )
    if dosage.dose_quantity is not None or dosage.dose_range is not None:
        raise Asked(
            path,
            "The dosage is in the shape of STU3: its dose stands outside doseAndRate. What"
            " dose is taken, in the shape of R4?",
        )
    as_needed = dosage.as_needed_boolean or dosage.as_needed
    if as_needed or dosage.as_needed_codeable_concept or dosage.as_needed_for:
        raise Asked(
            f"{path}.asNeeded",
            "The dose is taken as needed. How much is taken on a usual day?",
        )


_ORAL_CODES = {"26643006", "PO", "260548002"}
"""Oral route and oral in SNOMED CT; PO in HL7 v3."""
_ORAL_WORDS = {"oral", "orally", "by mouth", "po", "oral route", "oral use", "per os"}
_PAST_THE_GUT = re.compile(r"intra|inject|infus|subcut|parenteral|\b(?:iv|im|sc|sq)\b")
"""Words of a route that no code beside them can make oral."""


def refuse_other_routes(dosage: Dosage, path: str) -> None:
    """Ask about a route that is not by mouth: by vein or muscle the same dose is another.

    Raises
    ------
    Asked
        where neither its words nor its codes say so, or the words say otherwise.
    """
    if dosage.route is None:
        return
    said = [dosage.route.text, *(coding.display for coding in dosage.route.coding)]
    words = {word.casefold().strip().rstrip(".") for word in said if word}
    codes = {coding.code for coding in dosage.route.coding if coding.code}
    if not words and not codes:
        return
    oral = (words and words <= _ORAL_WORDS) or (codes and codes <= _ORAL_CODES)
    if not oral or any(map(_PAST_THE_GUT.search, words)):
        raise Asked(
            f"{path}.route", "The route is not known to be by mouth. How much is taken by mouth?"
        )


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
    settled : the same, for what else is said of the taking to be held against
    """

    preparation: Preparation
    cycle: tuple[Fraction, ...]
    from_text: bool
    assumed: str
    settled: SettledDose


class _Dose(msgspec.Struct, frozen=True):
    """One amount on one schedule, in the unit of the product line."""

    preparation: Preparation
    cycle: tuple[Fraction, ...]
    in_words: bool
    assumed: str

    @property
    def daily(self) -> Fraction:
        """Mean amount a day."""
        return mean(self.cycle)


class _Scale(msgspec.Struct, frozen=True):
    """How amounts become doses: the product, the lines, and the dosage's FHIRPath."""

    product: Product
    preparations: Mapping[str, Preparation]
    path: str

    def dose(self, stated: Sequence[Stated], schedule: Schedule) -> _Dose:
        """Amounts that state one dose (ordered in tablets, calculated in µg), which must agree."""
        doses = [self._one(amount, schedule, place) for place, amount in self._usable(stated)]
        first = doses[0]
        if any((d.preparation, d.cycle) != (first.preparation, first.cycle) for d in doses[1:]):
            said = " and ".join(f"{in_unit(d.daily, d.preparation)} a day" for d in doses)
            raise Asked(self.path, f"The dose is given as {said}. Which one is taken?")
        return first

    def taken(self, part: SigPart) -> Amount:
        """The amount of a part of an instruction.

        Of two tablets "(100 mcg)" the tablet's strength tells whether each holds it or both do.
        """
        if not part.mass_of_which:
            return part.mass or part.amount
        for strength in strengths_of(self.product):
            each = Amount(strength.dimension, strength.value * part.amount.value)
            if each in part.whole:
                return each
        raise Asked(
            f"{self.path}.text",
            "The words name several tablets and a mass. Is it what one of them holds, or all?",
        )

    def _one(self, amount: Amount, schedule: Schedule, place: str) -> _Dose:
        each = labelled(amount, self.product, self.preparations, place)
        if amount.dimension is Dimension.MASS:
            refuse_unless_tablets_make(each, self.product, place)
        cycle = tuple(scaled(each.amount, doses) for doses in schedule.doses)
        in_words = each.in_words or schedule.in_words
        return _Dose(each.preparation, cycle, in_words, each.assumed)

    def _usable(self, stated: Sequence[Stated]) -> Sequence[Stated]:
        """Leave out tablets of unknown strength where a mass stands beside them."""
        known = self.product.strength is not None or self.product.strength_grains is not None
        if known:
            return stated
        masses = [s for s in stated if s[1].dimension is not Dimension.PIECE]
        return masses or stated


def read_dosage(dosage: Dosage, product: Product, path: str, reading: Reading) -> ReadDose:
    """The dose of one dosage.

    Raises
    ------
    Asked
        for whatever leaves the dose uncertain.
    """
    refuse_what_leaves_it_open(dosage, path)
    refuse_other_routes(dosage, path)
    scale = _Scale(product, reading.preparations, path)
    amounts = _amounts(dosage.dose_and_rate, path)
    phrases = reading.codes.phrases
    sig = phrases.read_sig(dosage.text, reading.language) if dosage.text else None
    often = [part.schedule for part in sig.parts] if sig else []
    worded = [replace(each, in_words=True) for each in often]
    schedule = schedule_of(dosage.timing, f"{path}.timing", worded) if dosage.timing else None
    parts: Sequence[_Part] = ()
    if amounts and schedule is not None:
        parts = [(scale.dose(amounts, schedule), schedule)]
    else:
        parts = _partly_from_text(dosage, sig, amounts, schedule, scale)
    dose = _together(
        parts, [amount for _, amount in amounts], dosage, scale, not amounts or schedule is None
    )
    _say_what_was_passed_over(dosage, path, reading.notes)
    for saying in words_in(dosage, path):
        compare(saying, dose.settled, reading)
    compare_limits(dosage, dose.settled)
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


def _say_what_was_passed_over(dosage: Dosage, path: str, notes: Notes) -> None:
    for number, concept in enumerate(dosage.additional_instruction):
        if not concept.text and not any(coding.display for coding in concept.coding):
            notes.confirm(
                f"{path}.additionalInstruction[{number}]",
                "This instruction is a code without words, which is not read. Does it change the"
                " dose?",
            )
    repeat = dosage.repeat
    if repeat and (repeat.bounds_duration or repeat.bounds_range or repeat.count is not None):
        notes.confirm(
            f"{path}.timing.repeat", "The dose is written for a limited time. Is it taken now?"
        )


_Part = tuple[_Dose, Schedule]


def _partly_from_text(
    dosage: Dosage,
    sig: Sig | None,
    amounts: list[Stated],
    schedule: Schedule | None,
    scale: _Scale,
) -> list[_Part]:
    """A dose whose amount, timing or both stand only in words."""
    if sig is None:
        raise _missing(dosage, bool(amounts), schedule is not None, scale.path)
    if amounts and len(sig.parts) > 1:
        raise Asked(scale.path, "The coded dose and the words differ. Which one is taken?")
    if schedule and not all(schedule.same_as(part.schedule) for part in sig.parts):
        raise Asked(scale.path, "The coded timing and the words differ. Which one is right?")
    text = f"{scale.path}.text"
    return [
        (
            scale.dose([*amounts, (text, scale.taken(part))], schedule or part.schedule),
            schedule or part.schedule,
        )
        for part in sig.parts
    ]


def _together(
    parts: Sequence[_Part], amounts: Sequence[Amount], dosage: Dosage, scale: _Scale, in_words: bool
) -> ReadDose:
    """The parts of one dosage, which are taken on days of their own, as one dose."""
    doses = [dose for dose, _ in parts]
    first = doses[0]
    settled = SettledDose(
        scale.path,
        scale.product,
        scale.preparations,
        tuple(amounts),
        tuple(schedule for _, schedule in parts),
        first.preparation,
        tuple(dose.cycle for dose in doses),
        dosage.bounds,
    )
    cycle = first.cycle
    if len(doses) > 1:
        cycle = tuple(total(day) for day in zip(*(dose.cycle for dose in doses), strict=True))
    return ReadDose(first.preparation, cycle, in_words or first.in_words, first.assumed, settled)


def _missing(dosage: Dosage, has_dose: bool, has_timing: bool, path: str) -> Asked:
    where = f"{path}.text" if dosage.text else path
    words = " The words could not be read with certainty." if dosage.text else ""
    if has_dose:
        return Asked(where, f"How often is the dose taken?{words}")
    if has_timing:
        return Asked(where, f"How much is taken at a time?{words}")
    return Asked(where, f"How much is taken, and how often?{words}")
