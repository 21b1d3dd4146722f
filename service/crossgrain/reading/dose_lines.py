"""The dosages of one resource to dose lines: which hold today, and whether they make sense."""

from collections.abc import Sequence

import msgspec

from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.currency import bounds_of, dosage_in_force, has_bounds
from crossgrain.reading.dosage import ReadDose, read_dosage
from crossgrain.reading.elements import Dosage
from crossgrain.reading.errors import Asked
from crossgrain.reading.product import Product
from crossgrain.reading.quantities import in_unit, total
from crossgrain.reading.reading import Reading
from crossgrain.reading.record import Span
from crossgrain.reading.sayings import Saying, compare, in_all, words_in


class Doses(msgspec.Struct, frozen=True):
    """The dose lines of one resource; `from_text` where one stands only in words."""

    lines: tuple[DoseLine, ...]
    from_text: bool = False


def read_doses(
    dosages: Sequence[Dosage],
    product: Product,
    path: str,
    reading: Reading,
    *,
    dated: bool,
    beside: Sequence[Saying] = (),
) -> Doses:
    """The doses that hold on the day of reading.

    Parameters
    ----------
    path : FHIRPath of the list of dosages
    dated : leave out the dosages whose own dates do not hold the day of reading
    beside : what the resource says of the taking outside its dosages

    Notes
    -----
    A question about one dosage is noted, the others are still looked at, and no line is given:
    a part of a dose is never shown as the whole.

    Raises
    ------
    Asked
        where no dosage holds, or which one holds cannot be told.
    """
    numbered = _numbered(dosages, path)
    if dated:
        numbered = [
            (place, dosage)
            for place, dosage in numbered
            if dosage_in_force(dosage, reading.as_of, place)
        ]
    if not numbered:
        raise Asked(
            path.rpartition(".")[0], "No dosage is given. How much is taken, and how often?"
        )
    return _together(numbered, product, path, reading, beside)


def read_by_date(
    dosages: Sequence[Dosage],
    product: Product,
    path: str,
    reading: Reading,
    beside: Sequence[Saying] = (),
) -> tuple[Doses, tuple[Span, ...]]:
    """All doses that a resource orders, and the same by the days on which they hold.

    Dosages that follow one another by their dates, or by their order and how long each lasts,
    are never added up. Raises and notes as `read_doses` does.
    """
    numbered = _numbered(dosages, path)
    if not numbered:
        return read_doses(dosages, product, path, reading, dated=False), ()
    groups: dict[Days, list[tuple[str, Dosage]]] = {}
    for each, days in zip(numbered, _days_of(dosages, path, reading), strict=True):
        groups.setdefault(days, []).append(each)
    spans, from_text = [], False
    for between, group in groups.items():
        doses = _together(group, product, path, reading, beside)
        if not doses.lines:
            return Doses(()), ()
        spans.append(Span(*between, doses.lines))
        from_text = from_text or doses.from_text
    every = tuple(line for span in spans for line in span.lines)
    return Doses(every, from_text), tuple(spans)


Days = tuple[int | None, int | None]
_DAYS_IN = {"d": 1, "wk": 7}


def _days_of(dosages: Sequence[Dosage], path: str, reading: Reading) -> list[Days]:
    """First and last day of each dosage, from as-of on where only lengths are given.

    Numbered dosages follow one another; where one that others follow has no end, none of
    them is dated, and it is asked which of them is meant.
    """
    follow = len({dosage.sequence for dosage in dosages}) > 1
    placed = sorted(range(len(dosages)), key=lambda number: dosages[number].sequence or 0)
    days: list[Days] = [(None, None)] * len(dosages)
    next_day: int | None = 0
    for number in placed:
        dosage = dosages[number]
        if follow and next_day is None:
            return [(None, None)] * len(dosages)
        after = next_day or 0
        if dosage.bounds is not None:
            days[number] = bounds_of(dosage, reading.as_of, f"{path}[{number}]")
        elif length := _length(dosage):
            days[number] = (after if follow else 0, (after if follow else 0) + length - 1)
        elif follow and after:
            days[number] = (after, None)
        last = days[number][1]
        next_day = None if last is None else last + 1
    return days


def _length(dosage: Dosage) -> int | None:
    lasts = dosage.lasts
    each = _DAYS_IN.get(lasts.code or "") if lasts else None
    if lasts is None or each is None or not isinstance(lasts.value, int) or lasts.value < 1:
        return None
    return each * lasts.value


def _numbered(dosages: Sequence[Dosage], path: str) -> list[tuple[str, Dosage]]:
    return [(f"{path}[{number}]", dosage) for number, dosage in enumerate(dosages)]


def _together(
    numbered: list[tuple[str, Dosage]],
    product: Product,
    path: str,
    reading: Reading,
    beside: Sequence[Saying],
) -> Doses:
    """The doses of dosages that hold at one time."""
    _check_sequence(numbered, path, reading)
    sayings = [saying for place, dosage in numbered for saying in words_in(dosage, place)]
    reading.budget.spend_on_sayings(len(sayings) + len(numbered) * (1 + len(beside)), path)
    reading.budget.spend_on_words(sum(len(saying.words) for saying in sayings), path)
    doses = [dose for place, dosage in numbered if (dose := _dose(dosage, product, place, reading))]
    if len(doses) < len(numbered):
        return Doses(())
    lines = tuple(
        DoseLine(dose.preparation, dose.cycle, place)
        for dose, (place, _) in zip(doses, numbered, strict=True)
    )
    settled = in_all([dose.settled for dose in doses], path.rpartition(".")[0])
    for saying in beside:
        compare(saying, settled, reading.notes)
    _refuse_doubled(lines, numbered, path)
    refuse_implausible(lines, reading.codes, path)
    return Doses(lines, any(dose.from_text for dose in doses))


def _dose(dosage: Dosage, product: Product, path: str, reading: Reading) -> ReadDose | None:
    """One dose; where a question is open, the question is noted and there is none."""
    try:
        dose = read_dosage(dosage, product, reading.preparations, path, reading.notes)
    except Asked as asked:
        reading.notes.ask(asked)
        return None
    if dose.assumed:
        reading.notes.confirm(path, dose.assumed)
    return dose


def _check_sequence(numbered: list[tuple[str, Dosage]], path: str, reading: Reading) -> None:
    """Dosages of different sequence numbers follow each other.

    Only their own dates, or days of the week that do not meet, say which is taken now.
    """
    dosages = [dosage for _, dosage in numbered]
    if len({dosage.sequence for dosage in dosages}) <= 1:
        return
    if all(has_bounds(dosage) for dosage in dosages):
        return
    if not _days_apart(dosages):
        raise Asked(path, "The dosages follow one another without dates. Which one is taken now?")
    reading.notes.confirm(
        path, "Dosages on different days of the week were read as taken side by side. Are they?"
    )


def _days_apart(dosages: Sequence[Dosage]) -> bool:
    days: list[str] = []
    for dosage in dosages:
        repeat = dosage.repeat
        if repeat is None or not repeat.day_of_week:
            return False
        days.extend(repeat.day_of_week)
    return len(days) == len(set(days))


def _refuse_doubled(
    lines: Sequence[DoseLine], numbered: Sequence[tuple[str, Dosage]], path: str
) -> None:
    """Two equal dosages may be one written twice, unless each names a time of day of its own."""
    times: dict[object, list[frozenset[str]]] = {}
    for line, (_, dosage) in zip(lines, numbered, strict=True):
        times.setdefault((line.preparation.id, line.cycle), []).append(_times_of_day(dosage))
    for named in times.values():
        apart = all(named) and sum(map(len, named)) == len(frozenset().union(*named))
        if len(named) > 1 and not apart:
            raise Asked(path, "Two dosages say the same. Is the dose taken once or twice a day?")


def _times_of_day(dosage: Dosage) -> frozenset[str]:
    repeat = dosage.repeat
    return frozenset((*repeat.when, *repeat.time_of_day)) if repeat else frozenset()


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
            f"The dose comes to {in_unit(daily, line)} of {line.name} a day, which is not"
            " plausible. What is taken?",
        )
