"""The dosages of one resource to dose lines: which hold today, and whether they make sense."""

from collections.abc import Sequence

import msgspec

from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.currency import dosage_in_force
from crossgrain.reading.dosage import ReadDose, read_dosage
from crossgrain.reading.elements import Asked, Dosage
from crossgrain.reading.instructions import (
    NONE_HOLDS,
    Numbered,
    numbered_in,
    refuse_doubtful_days,
    refuse_shared_weekdays,
    refuse_undated,
    refuse_unless_beside,
    runs_of,
    times_of_day,
)
from crossgrain.reading.moments import are_apart
from crossgrain.reading.product import Product
from crossgrain.reading.quantities import in_unit, total
from crossgrain.reading.reading import Reading
from crossgrain.reading.record import Span
from crossgrain.reading.sayings import Saying, compare, in_all, words_in
from crossgrain.reading.schedule import WEEK


class Doses(msgspec.Struct, frozen=True):
    """The dose lines of one resource; `from_text` where one stands only in words.

    `days_known` where each tells on which days of its cycle it is taken.
    """

    lines: tuple[DoseLine, ...]
    from_text: bool = False
    days_known: bool = False


def read_doses(
    dosages: Sequence[Dosage],
    product: Product,
    path: str,
    reading: Reading,
    *,
    dated: bool,
    beside: Sequence[Saying] = (),
    days_beside: bool = False,
) -> Doses:
    """The doses that hold on the day of reading.

    Parameters
    ----------
    path : FHIRPath of the list of dosages
    dated : leave out the dosages whose own dates do not hold the day of reading
    beside : what the resource says of the taking outside its dosages
    days_beside : other resources may hold the other days of the week, so that a dose of some days
        is not judged here

    Notes
    -----
    A question about one dosage is noted, the others are still looked at, and no line is given:
    a part of a dose is never shown as the whole.

    Raises
    ------
    Asked
        where no dosage holds, or which one holds cannot be told.
    """
    numbered = numbered_in(dosages, path)
    if dated:
        refuse_undated(numbered, path)
        held = [each for each in numbered if dosage_in_force(each[1], reading.calendar, each[0])]
        if numbered and not held:
            raise Asked(path.rpartition(".")[0], NONE_HOLDS)
        numbered = held
    return doses_of(numbered, product, path, reading, beside, days_beside=days_beside)


def read_by_date(
    dosages: Sequence[Dosage],
    product: Product,
    path: str,
    reading: Reading,
    beside: Sequence[Saying] = (),
    *,
    lengths_from: int | None = None,
) -> tuple[Doses, tuple[Span, ...]]:
    """All doses that a resource orders, and the same by the days on which they hold.

    Dosages that follow one another by their dates, or by their order and how long each lasts
    from the day `lengths_from`, are never added up. Raises and notes as `read_doses` does, and
    where dosages overlap or leave days between them.
    """
    runs = runs_of(numbered_in(dosages, path), reading.calendar, lengths_from=lengths_from)
    if not runs:
        return read_doses(dosages, product, path, reading, dated=False), ()
    refuse_doubtful_days(runs, path)
    spans, from_text = [], False
    for run in runs:
        doses = doses_of(run.numbered, product, path, reading, beside)
        if not doses.lines:
            return Doses(()), ()
        spans.append(Span(run.first_day, run.last_day, doses.lines))
        from_text = from_text or doses.from_text
    every = tuple(line for span in spans for line in span.lines)
    return Doses(every, from_text), tuple(spans)


def doses_of(
    numbered: Sequence[Numbered],
    product: Product,
    path: str,
    reading: Reading,
    beside: Sequence[Saying] = (),
    *,
    days_beside: bool = False,
) -> Doses:
    """The doses of dosages that hold at one time, each with its FHIRPath.

    Raises and notes as `read_doses` does.
    """
    if not numbered:
        raise Asked(
            path.rpartition(".")[0], "No dosage is given. How much is taken, and how often?"
        )
    refuse_unless_beside(numbered, path, reading.notes)
    sayings = [saying for place, dosage in numbered for saying in words_in(dosage, place)]
    reading.budget.spend_on_sayings(len(sayings) + len(numbered) * (1 + len(beside)), path)
    reading.budget.spend_on_words(sum(len(saying.words) for saying in sayings), path)
    doses = [dose for place, dosage in numbered if (dose := _dose(dosage, product, place, reading))]
    if len(doses) < len(numbered):
        return Doses(())
    refuse_shared_weekdays(numbered, path)
    lines = tuple(
        DoseLine(dose.preparation, dose.cycle, place)
        for dose, (place, _) in zip(doses, numbered, strict=True)
    )
    settled = in_all([dose.settled for dose in doses], path.rpartition(".")[0])
    for saying in beside:
        compare(saying, settled, reading)
    _refuse_doubled(lines, numbered, path)
    known = all(schedule.days_known for dose in doses for schedule in dose.settled.schedules)
    if not (days_beside and known and leaves_days(lines)):
        refuse_implausible(lines, reading.codes, path)
    return Doses(lines, any(dose.from_text for dose in doses), known)


def _dose(dosage: Dosage, product: Product, path: str, reading: Reading) -> ReadDose | None:
    """One dose; where a question is open, the question is noted and there is none."""
    try:
        dose = read_dosage(dosage, product, path, reading)
    except Asked as asked:
        reading.notes.ask(asked)
        return None
    if dose.assumed:
        reading.notes.confirm(path, dose.assumed)
    return dose


def _refuse_doubled(
    lines: Sequence[DoseLine], numbered: Sequence[tuple[str, Dosage]], path: str
) -> None:
    """Two equal dosages may be one written twice, unless each names a time of day of its own."""
    times: dict[object, list[frozenset[str]]] = {}
    for line, (_, dosage) in zip(lines, numbered, strict=True):
        times.setdefault((line.preparation.id, line.cycle), []).append(times_of_day(dosage))
    for named in times.values():
        if len(named) > 1 and not are_apart(named):
            raise Asked(path, "Two dosages say the same. Is the dose taken once or twice a day?")


def leaves_days(lines: Sequence[DoseLine]) -> bool:
    """Whether nothing is taken on some day of the week."""
    cycles = [line.cycle for line in lines]
    if not cycles or any(len(cycle) != len(WEEK) for cycle in cycles):
        return False
    return not all(map(any, zip(*cycles, strict=True)))


def refuse_implausible(lines: Sequence[DoseLine], codes: CodeTables, path: str) -> None:
    """A slip of ten or a thousand is likelier than a dose outside the bounds.

    Raises
    ------
    Asked
        where the lines come together to such a dose.
    """
    line = lines[0].preparation
    bounds = codes.plausible[line.kind]
    daily = total([each.daily for each in lines])
    measured = line.grains(daily) if bounds.unit == "grain" else daily
    if not bounds.low <= measured <= bounds.high:
        raise Asked(
            lines[0].origin if len(lines) == 1 else path,
            f"The dose comes to {in_unit(daily, line)} of {line.generic_name} a day, which is not"
            " plausible. What is taken?",
        )
