"""The possible answers to a question, and what each changes of the call."""

from collections.abc import Iterator, Sequence

from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.identity import FhirVersion, stable_id
from crossgrain.names.printing import exact_decimal
from crossgrain.reading.clear import (
    NotWritable,
    Resource,
    cycle_of,
    dosages_for,
    written_clearly,
)
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.quantities import in_unit
from crossgrain.reading.question_form import Amendment, Posed, PossibleAnswer
from crossgrain.reading.reading import Reading, Vouched


def reading_choice(posed: Posed, lines: tuple[DoseLine, ...], reading: Reading) -> PossibleAnswer:
    """The choice of one dose, and the resource written so."""
    entry = posed.entry
    assert entry is not None
    version, preparation = reading.shape.version, lines[0].preparation
    resource = written_clearly(entry.resource, dosages_for(lines), reading.calendar, version)
    change = Amendment({posed.number: resource}, Vouched(meant={entry.path: preparation}))
    return PossibleAnswer(_code_of(lines), dose_words(lines), change, lines)


def as_handed_out(
    posed: Posed, lines: tuple[DoseLine, ...], reading: Reading
) -> PossibleAnswer | None:
    """The dose that a hand-over tells, as a statement that it is taken."""
    if not lines:
        return None
    preparation = lines[0].preparation
    try:
        dosages, code = dosages_for(lines), _code_of(lines)
    except NotWritable:
        return None
    name = stable_id(f"{posed.id}|{posed.content}|{code}|{reading.as_of}")
    statement = statement_of(name, preparation, dosages, reading)
    return PossibleAnswer(code, dose_words(lines), Amendment(added=(statement,)), lines)


def _code_of(lines: tuple[DoseLine, ...]) -> str:
    amounts = (str(exact_decimal(amount)) for amount in cycle_of(lines))
    return "_".join((lines[0].preparation.id, *amounts))


def statement_of(
    name: str, line: Preparation, dosages: Sequence[Resource], reading: Reading
) -> Resource:
    """A statement that so much of a product line is taken now, with this id."""
    version = reading.shape.version
    bare = {
        "resourceType": "MedicationStatement",
        "id": name,
        "status": "active",
        **_named(line, reading.codes, version),
        "subject": {"reference": reading.patient.reference},
    }
    return written_clearly(bare, dosages, reading.calendar, version)


def _named(line: Preparation, codes: CodeTables, version: FhirVersion) -> Resource:
    """The element by which a statement names its medicine."""
    coded = codes.codes_for(line, None).ingredient
    concept: Resource = {"text": line.name}
    if coded:
        coding = {"system": coded.code.system, "code": coded.code.value, "display": coded.display}
        concept = {"coding": [coding], **concept}
    if version is FhirVersion.R4:
        return {"medicationCodeableConcept": concept}
    return {"medication": {"concept": concept}}


_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def dose_words(lines: Sequence[DoseLine]) -> str:
    """A dose a day in words.

    The mean of a pattern is no dose that anybody swallows, so its days are named.
    """
    cycle, line = cycle_of(lines), lines[0].preparation
    if len(cycle) == 1:
        often = f"{in_unit(cycle[0], line)} a day"
    elif len(cycle) == 2:
        often = f"{in_unit(cycle[0], line)} every other day"
    else:
        days = zip(_DAYS, cycle, strict=True)
        often = ", ".join(f"{day} {in_unit(of, line)}" for day, of in days)
    return f"{line_name(line)}: {often}"


def line_name(line: Preparation) -> str:
    """A product line by name, so that no number of it can be taken for the dose."""
    name, _, family = line.name.partition(", ")
    return f"{name} (labelled with {family})" if family else name


def not_taken(posed: Posed) -> Iterator[PossibleAnswer]:
    yield PossibleAnswer("not-taken", "It is not taken now", Amendment({posed.number: None}))


def vouched(settled: Vouched) -> Iterator[PossibleAnswer]:
    yield PossibleAnswer("yes", "Yes", Amendment(settled=settled))
    yield PossibleAnswer("no", "No")


def yes_or_no(posed: Posed) -> tuple[PossibleAnswer, ...]:
    return (
        PossibleAnswer("yes", "Yes", answered_visit(posed, {"valueBoolean": True})),
        PossibleAnswer("no", "No", answered_visit(posed, {"valueBoolean": False})),
    )


def answered_visit(posed: Posed, answer: Resource) -> Amendment:
    """The patient's answers of a visit with one of them mended."""
    entry = posed.entry
    assert entry is not None
    items = list(entry.resource["item"])
    number = item_number(posed)
    items[number] = {**items[number], "answer": [answer]}
    return Amendment({posed.number: {**entry.resource, "item": items}})


def item_number(posed: Posed) -> int:
    return int(posed.element.partition("[")[2].partition("]")[0])
