"""The dosages of one resource to dose lines: which hold today, and whether they make sense."""

from collections.abc import Sequence

import msgspec

from crossgrain.dosing.regimens import DoseLine
from crossgrain.fhir.read.code_tables import CodeTables
from crossgrain.fhir.read.currency import dosage_in_force, has_bounds
from crossgrain.fhir.read.dosage import ReadDose, read_dosage
from crossgrain.fhir.read.errors import Asked
from crossgrain.fhir.read.medicines import Product
from crossgrain.fhir.read.quantities import plain
from crossgrain.fhir.read.reading import Reading
from crossgrain.fhir.read.views import Dosage


class Doses(msgspec.Struct, frozen=True):
    """The dose lines of one resource; `from_text` where one stands only in words."""

    lines: tuple[DoseLine, ...]
    from_text: bool = False


def read_doses(
    dosages: Sequence[Dosage], product: Product, path: str, reading: Reading, *, dated: bool
) -> Doses:
    """The doses that hold on the day of reading.

    Parameters
    ----------
    path : FHIRPath of the list of dosages
    dated : leave out the dosages whose own dates do not hold the day of reading

    Notes
    -----
    A question about one dosage is noted, and the others are still read.

    Raises
    ------
    Asked
        where no dosage holds, or which one holds cannot be told.
    """
    numbered = [(f"{path}[{number}]", dosage) for number, dosage in enumerate(dosages)]
    if dated:
        numbered = [
            (place, dosage)
            for place, dosage in numbered
            if dosage_in_force(dosage, reading.as_of, f"{place}.timing.repeat.bounds")
        ]
    if not numbered:
        raise Asked(
            path.rpartition(".")[0], "No dosage is given. How much is taken, and how often?"
        )
    _check_sequence(numbered, path, reading)
    lines: list[DoseLine] = []
    from_text = False
    for place, dosage in numbered:
        try:
            dose = read_dosage(dosage, product, reading.preparations, place, reading.notes)
            _refuse_implausible(dose, reading.codes, place, alone=len(numbered) == 1)
        except Asked as asked:
            reading.notes.ask(asked)
            continue
        if dose.assumed:
            reading.notes.confirm(place, dose.assumed)
        from_text = from_text or dose.from_text
        lines.append(DoseLine(dose.preparation, dose.cycle, place))
    _refuse_doubled(lines, path, several=len(numbered) > 1)
    return Doses(tuple(lines), from_text)


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
        repeat = dosage.timing.repeat if dosage.timing else None
        if repeat is None or not repeat.day_of_week:
            return False
        days.extend(repeat.day_of_week)
    return len(days) == len(set(days))


def _refuse_implausible(dose: ReadDose, codes: CodeTables, path: str, *, alone: bool) -> None:
    """A slip of ten or a thousand is likelier than a dose outside the bounds."""
    line, daily = dose.preparation, dose.daily
    bounds = codes.plausible[line.kind]
    measured = line.grains(daily) if bounds.unit == "grain" else daily
    if measured > bounds.high or (alone and measured < bounds.low):
        unit = "µg" if line.unit == "ug" else "mg"
        raise Asked(
            path,
            f"The dose comes to {plain(daily)} {unit} of {line.name} a day, which is not"
            " plausible. What is taken?",
        )


def _refuse_doubled(lines: list[DoseLine], path: str, *, several: bool) -> None:
    """Two equal dosages may be one that was written twice."""
    said = [(line.preparation.id, line.cycle) for line in lines]
    if several and len(said) != len(set(said)):
        raise Asked(path, "Two dosages say the same. Is the dose taken once or twice a day?")
