"""Everything a medicine's resource says about taking it, held against the dose read from it.

A dose is said in many places: coded as amount and timing, in the name of the timing, in the
text, in instructions beside it, as an upper limit, in the whole as rendered, in notes. One of
them gives the dose (`dosage`); each of the others is a `Saying`, and what it says must be the
same. Where it is not, both are shown and it is asked which holds. Words that bear on the taking
and cannot be read ("hold until labs") are asked about too; the rest is said not to be read.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any

import msgspec

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.printing import as_written
from crossgrain.reading.elements import (
    Asked,
    CodeableConcept,
    Dosage,
    Period,
    Quantity,
    Ratio,
    Timing,
)
from crossgrain.reading.hearing import Heard, Phrasebook
from crossgrain.reading.names import read_name
from crossgrain.reading.product import Product, labelled, strengths_of
from crossgrain.reading.quantities import Amount, Dimension, amount_of, in_unit, total
from crossgrain.reading.reading import Reading
from crossgrain.reading.schedule import DAILY, IN_ALL, Schedule, plain_words
from crossgrain.reading.sig import Sig, SigPart
from crossgrain.reading.timing import days_in_words, schedule_of

_SHOWN = 120
"""Characters of a saying that a question shows."""
_DAYS_IN = {"h": Fraction(1, 24), "d": Fraction(1), "wk": Fraction(7)}
_WORDS_OF_TIME = {
    "hour": "h", "hours": "h", "day": "d", "days": "d", "week": "wk", "weeks": "wk",
}  # fmt: skip


class Saying(msgspec.Struct, frozen=True):
    """Words about the taking, or a timing, and the FHIRPath where they stand.

    `rest` is what of the words is heard, where that is not all of them.
    """

    place: str
    words: str
    timing: Timing | None = None
    rest: str = ""

    @property
    def heard(self) -> str:
        """The words that say something of the taking."""
        return self.rest or self.words


class SettledDose(msgspec.Struct, frozen=True):
    """The dose that was read, which every saying must agree with.

    Attributes
    ----------
    path : FHIRPath of what holds the dose
    product, preparations : of which tablets
    amounts : of each dose, as written
    schedules : when, one for each dosage
    preparation : the product line
    cycles : amount of each day, one cycle for each dosage
    bounds : the dates of the dosage, where it has any
    """

    path: str
    product: Product
    preparations: Mapping[str, Preparation]
    amounts: tuple[Amount, ...]
    schedules: tuple[Schedule, ...]
    preparation: Preparation
    cycles: tuple[tuple[Fraction, ...], ...]
    bounds: Period | None = None

    @property
    def daily(self) -> Fraction:
        """Mean amount a day of all dosages together."""
        return total([total(cycle) / len(cycle) for cycle in self.cycles])

    @property
    def at_a_time(self) -> frozenset[Fraction]:
        """What each dose comes to, in the product's unit."""
        return frozenset(
            max(cycle) / max(schedule.doses)
            for cycle, schedule in zip(self.cycles, self.schedules, strict=True)
        )

    @property
    def shown(self) -> str:
        """The dose as a question shows it."""
        times = total([schedule.per_day for schedule in self.schedules])
        often = "once" if times == 1 else f"{as_written(times)} times"
        return f"{in_unit(self.daily, self.preparation)} a day, taken {often} a day"

    def in_label_unit(self, amount: Amount) -> Fraction | None:
        """An amount in the product's unit; ``None`` where that cannot be told."""
        try:
            return labelled(amount, self.product, self.preparations, self.path).amount
        except Asked:
            return None


def in_all(settled: Sequence[SettledDose], path: str) -> SettledDose:
    """Several dosages of one medicine as one dose, at the path of the medicine."""
    first = settled[0]
    return SettledDose(
        path,
        first.product,
        first.preparations,
        tuple(amount for each in settled for amount in each.amounts),
        tuple(schedule for each in settled for schedule in each.schedules),
        first.preparation,
        tuple(cycle for each in settled for cycle in each.cycles),
        first.bounds if len(settled) == 1 else None,
    )


def words_in(dosage: Dosage, path: str) -> Iterator[Saying]:
    """The words that stand in a dosage beside what gives its dose, in the order of FHIR."""
    if dosage.text:
        yield Saying(f"{path}.text", dosage.text)
    for number, concept in enumerate(dosage.additional_instruction):
        yield from _of_concept(concept, f"{path}.additionalInstruction[{number}]")
    if dosage.patient_instruction:
        yield Saying(f"{path}.patientInstruction", dosage.patient_instruction)
    if dosage.timing and dosage.timing.code:
        yield from _of_concept(dosage.timing.code, f"{path}.timing.code")


def _of_concept(concept: CodeableConcept, place: str) -> Iterator[Saying]:
    said = [concept.text, *(coding.display for coding in concept.coding)]
    for words in dict.fromkeys(words for words in said if words):
        yield Saying(place, words)


def in_all_a_day(dosages: Sequence[Dosage]) -> Fraction | None:
    """What an order of ours says that it comes to together with the others of its medicine."""
    for dosage in dosages:
        if found := IN_ALL.search(plain_words(dosage.text or "")):
            return Fraction(found["all"]) / (7 if found["week"] else 1)
    return None


def characters_of_notes(note: Any) -> int:
    """How much there is to look through for sentences about the taking."""
    return sum(len(text) for _, text in _texts(note))


def _texts(note: Any) -> Iterator[tuple[int, str]]:
    """The text of each annotation, with its number."""
    for number, one in enumerate(note if isinstance(note, list) else []):
        text = one.get("text") if isinstance(one, dict) else None
        if isinstance(text, str):
            yield number, text


def words_of_notes(note: Any, path: str, phrases: Phrasebook) -> Iterator[Saying]:
    """The sentences of annotations that begin as an instruction does."""
    for number, text in _texts(note):
        if phrases.is_own_note(text):
            continue
        for sentence in _sentences(text):
            if phrases.begins_instruction(sentence):
                yield Saying(f"{path}[{number}].text", sentence)


def words_of_names(names: Iterable[str], place: str, phrases: Phrasebook) -> Iterator[Saying]:
    """The names of a medicine that carry an instruction: ``… 100 mcg - take half``."""
    for name in dict.fromkeys(names):
        if carried := phrases.carried_by(name):
            yield Saying(place, name, rest=carried)


def _sentences(text: str) -> list[str]:
    """Lines, and in a line what ends in a full stop before a space."""
    return [part.strip() for line in text.splitlines() for part in line.split(". ")]


def compare(saying: Saying, settled: SettledDose, reading: Reading) -> None:
    """Hold one saying against the dose.

    Raises
    ------
    Asked
        where it says another dose, frequency, day or date, or cannot be read and bears on them.
    """
    if saying.timing:
        said = schedule_of(saying.timing, saying.place, settled.schedules)
        _compare_timing(said, saying, settled)
        return
    phrases = reading.codes.phrases
    sig = phrases.read_sig(saying.heard, reading.language)
    if sig:
        _compare_sig(sig, saying, settled)
        return
    heard = phrases.heard_in(saying.heard, reading.language)
    _compare_heard(heard, saying, settled)
    if heard.bearing:
        raise Asked(
            saying.place,
            f"The dose is {settled.shown}, and beside it stands {quoted(saying.words)}, which bears"
            f" on the taking and could not be read ({heard.bearing}). What is taken?",
        )
    if not heard.whole:
        reading.notes.confirm(
            saying.place,
            f"The dose is {settled.shown}, and beside it stands {quoted(saying.words)}, of which"
            " not every word was read. Do these words change the dose?",
        )


def _compare_timing(said: Schedule, saying: Saying, settled: SettledDose) -> None:
    """How often by another element: as one of the dosages, or as all of them together."""
    in_all = total([schedule.per_day for schedule in settled.schedules])
    if said.per_day != in_all and not any(said.same_as(each) for each in settled.schedules):
        times = "once" if said.per_day == 1 else f"{as_written(said.per_day)} times"
        raise _differ(Saying(saying.place, f"{times} a day"), settled)


def _differ(saying: Saying, settled: SettledDose) -> Asked:
    """Both sayings, each as it stands."""
    return Asked(
        settled.path,
        f"The dose is {settled.shown}, and beside it stands {quoted(saying.words)}. Which one is"
        " taken?",
    )


def quoted(said: str) -> str:
    """Words of the record, in one line and cut to a length that can be shown."""
    words = " ".join(said.split())
    return f"“{words if len(words) <= _SHOWN else words[: _SHOWN - 1] + '…'}”"


def _compare_sig(sig: Sig, saying: Saying, settled: SettledDose) -> None:
    """An instruction that was read whole must say the same, as far as both say it."""
    _compare_dates(sig.parts[0].dates, saying, settled)
    said = [_daily_of(part, saying, settled) for part in sig.parts]
    daily = [amount for amount in said if amount is not None]
    if len(daily) == len(said) and total(daily) != settled.daily:
        raise _differ(saying, settled)
    if len(sig.parts) > 1 and len(daily) == len(said):
        return  # several amounts on days of their own, which come to the same
    for part in sig.parts:
        if not any(part.schedule.same_as(schedule) for schedule in settled.schedules):
            raise _differ(saying, settled)
        if not _may_be(part.amount, settled):
            raise _differ(saying, settled)


def _daily_of(part: SigPart, saying: Saying, settled: SettledDose) -> Fraction | None:
    """What one part comes to a day; ``None`` where the strength of its tablets is not known."""
    if part.product:
        named = read_name(part.product)
        if named is None or settled.product.kind not in named.product_kinds:
            raise _differ(saying, settled)
    taken = settled.in_label_unit(part.amount)
    whole = [mass for each in part.whole if (mass := settled.in_label_unit(each)) is not None]
    if taken is None and len(whole) > 1:  # which of the two it is, the dose tells
        taken = next((mass for mass in whole if mass in settled.at_a_time), None)
    taken = whole[0] if taken is None and whole else taken
    if whole and taken not in whole:
        raise _differ(saying, settled)
    return None if taken is None else taken * part.schedule.per_day


def _may_be(amount: Amount, settled: SettledDose) -> bool:
    """Whether an amount that cannot be told in the product's unit may be the dose all the same.

    Tablets of a strength that is not known must be as many as the coded ones; grains are of
    desiccated thyroid and of no other hormone.
    """
    if amount.dimension is Dimension.GRAIN:
        return settled.product.kind is Kind.DESICCATED_THYROID
    if amount.dimension is not Dimension.PIECE:
        return True
    coded = [a for a in settled.amounts if a.dimension is Dimension.PIECE]
    return not coded or amount in coded


def _compare_dates(dates: tuple[str, str] | None, saying: Saying, settled: SettledDose) -> None:
    """Dates in words must be those of the dosage; a dose for some days is no dose for all."""
    if dates is None:
        return
    bounds = settled.bounds
    if bounds is None or (bounds.start, bounds.end) != dates:
        raise _differ(saying, settled)


def _compare_heard(heard: Heard, saying: Saying, settled: SettledDose) -> None:
    """Every frequency and every amount that was made out must be one of the dose's own."""
    _compare_dates(heard.dates, saying, settled)
    in_all_a_day = settled.daily in map(settled.in_label_unit, heard.amounts)
    daily = len(settled.schedules) > 1 and all(len(s.doses) == 1 for s in settled.schedules)
    times = [Schedule((total([s.per_day for s in settled.schedules]),))] if daily else []
    known = (*settled.schedules, *([DAILY] if in_all_a_day else []), *times)
    for said in heard.schedules:
        if not any(said.same_as(schedule) for schedule in known):
            raise _differ(saying, settled)
    pieces = [a.value for a in heard.amounts if a.dimension is Dimension.PIECE]
    for amount in heard.amounts:
        if not _known(amount, pieces, settled):
            raise _differ(saying, settled)


def _known(amount: Amount, pieces: Sequence[Fraction], settled: SettledDose) -> bool:
    """Whether an amount in words is a dose, a day's dose, or the strength of a tablet."""
    value = settled.in_label_unit(amount)
    if value is None:
        return _may_be(amount, settled)
    doses = settled.at_a_time | {settled.daily}
    if value in doses:
        return True
    if amount.dimension is Dimension.PIECE:
        return False
    strengths = {settled.in_label_unit(strength) for strength in strengths_of(settled.product)}
    return value in strengths or any(value * count in doses for count in pieces)


def compare_limits(dosage: Dosage, settled: SettledDose) -> None:
    """No dose may pass the limit that stands beside it.

    Raises
    ------
    Asked
        where one does, or where a limit cannot be read.
    """
    for name, limit in _limits(dosage):
        place = f"{settled.path}.{name}"
        amount, days = _limit(limit, place)
        most = labelled(amount, settled.product, settled.preparations, place).amount
        each = max(settled.at_a_time)
        busiest = max(map(max, settled.cycles))
        taken = each if days is None else busiest if days == 1 else settled.daily * days
        if max(each, taken) > most:
            span = "at a time" if days is None else f"in {days_in_words(days)}"
            raise Asked(
                settled.path,
                f"The dose is {settled.shown}, and its upper limit is"
                f" {in_unit(most, settled.preparation)} {span}. Which one is right?",
            )


def _limits(dosage: Dosage) -> Iterator[tuple[str, Ratio | Quantity]]:
    periods = dosage.max_dose_per_period
    for limit in periods if isinstance(periods, tuple) else (periods,):
        if limit is not None:
            yield "maxDosePerPeriod", limit
    if dosage.max_dose_per_administration is not None:
        yield "maxDosePerAdministration", dosage.max_dose_per_administration
    if dosage.max_dose_per_lifetime is not None:
        yield "maxDosePerLifetime", dosage.max_dose_per_lifetime


def _limit(limit: Ratio | Quantity, place: str) -> tuple[Amount, Fraction | None]:
    """The most that may be taken, and in how many days; ``None`` for one dose."""
    if isinstance(limit, Quantity):
        if place.endswith("Lifetime"):
            raise Asked(place, "The dose has a limit for a lifetime. Is it taken every day?")
        return amount_of(limit, place), None
    above, below = limit.numerator, limit.denominator
    unit = below and (
        _DAYS_IN.get(below.code or "")
        or _DAYS_IN.get(_WORDS_OF_TIME.get((below.unit or "").casefold(), ""))
    )
    if above is None or below is None or not unit or below.value is None:
        raise Asked(place, "The upper limit of the dose could not be read. What is taken a day?")
    return amount_of(above, place), Fraction(below.value) * unit
