"""A QuestionnaireResponse to the questions of a record: checked, and applied to the record.

An answer counts only for the question that it names, in the form that this very record gives. One
that names another form, another question, a dose that is not among the choices, or another patient
is refused: it may have been right for another record. What it gives is written into the record
clearly and read like any other: a dose that is not plausible is asked again by the same rule.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Unpack

from crossgrain.dosing.preparations import Preparation
from crossgrain.names.identity import stable_id, urn
from crossgrain.names.printing import as_written, unit_word
from crossgrain.names.values import frozen
from crossgrain.reading.choices import answered_visit, line_name, statement_of
from crossgrain.reading.clear import DAILY, Resource, written_clearly
from crossgrain.reading.door import Look, open_record
from crossgrain.reading.elements import ReadCategory, Unreadable
from crossgrain.reading.posing import HANDED_OUT, content_digest
from crossgrain.reading.quantities import exact, unit_of_word
from crossgrain.reading.question_form import (
    OTHERWISE,
    Amendment,
    Posed,
    PossibleAnswer,
    QuestionForm,
)
from crossgrain.reading.reading import NOTHING_VOUCHED, Reading, Vouched
from crossgrain.reading.record import Confirmed, Testimony
from crossgrain.reading.resolve import without_version

_FINAL = ("completed", "amended")
_LEFT_OUT: Resource = {"resource": {"resourceType": "Basic"}}
"""What stands in the place of a resource that is left out, so that no other changes its place."""


@frozen
class Amended:
    """A record with the answers in it.

    Attributes
    ----------
    bundle : the record, written clearly where it was answered
    settled : what no element of it could say
    options : name and value of options that were answered
    testimony : what was answered, and where
    """

    bundle: Resource
    settled: Vouched
    options: tuple[tuple[str, str], ...]
    testimony: Testimony


def names_form(response: Mapping[str, Any], form: QuestionForm) -> bool:
    """Whether a QuestionnaireResponse says that it answers this form."""
    named = response.get("questionnaire")
    return isinstance(named, str) and named.partition("|")[0].lower() == form.url


def amended(
    bundle: Resource, form: QuestionForm, response: Resource, place: str, **look: Unpack[Look]
) -> Amended:
    """The record with the answers of a response in it.

    Parameters
    ----------
    bundle, look : the record, as `open_record` takes it
    form : what it leaves open
    response : a QuestionnaireResponse that names the form; `place` is its expression

    Raises
    ------
    Unreadable
        for an answer that is not one to a question of the form.
    """
    reading = open_record(bundle, **look).reading
    _refuse_unfit(response, place, reading)
    sheet = _Sheet(form, place, reading)
    said = list(sheet.read(response.get("item", []), f"{place}.item"))
    name = stable_id(f"answers|{form.id}|{content_digest(response)}")
    source = {"subject": {"reference": reading.patient.reference}, **response, "id": name}
    added = [resource for one in said for resource in one.change.added]
    return Amended(
        _with_changes(bundle, said, added),
        _settled(said, len(bundle["entry"]), reading.index.root),
        tuple(option for one in said for option in one.change.options),
        Testimony(
            tuple(one.confirmed for one in said),
            ((urn(name), source), *((urn(each["id"]), each) for each in added)),
        ),
    )


@frozen
class _AnsweredQuestion:
    """One question as it was answered."""

    confirmed: Confirmed
    change: Amendment
    place: str
    meant: tuple[Preparation, ...] = ()


@dataclass(slots=True)
class _Heard:
    """The answers to one question, each with its place."""

    choices: list[tuple[Resource, str]] = field(default_factory=list)
    doses: dict[str, tuple[Resource, str]] = field(default_factory=dict)

    @property
    def place(self) -> str:
        return next(where for _, where in (*self.choices, *self.doses.values()))


class _Sheet:
    """Reads the items of a response against the questions of a form."""

    def __init__(self, form: QuestionForm, place: str, reading: Reading) -> None:
        self.form = form
        self.place = place
        self.reading = reading
        self.posed = {posed.id: posed for posed in form.posed}

    def read(self, items: object, place: str) -> Iterator[_AnsweredQuestion]:
        heard: dict[str, _Heard] = {}
        for link, answer, where in _answers_in(items, place):
            posed, _, part = link.partition(".")
            if posed not in self.posed:
                raise _refused(where, _NO_QUESTION)
            of = heard.setdefault(posed, _Heard())
            if not part:
                of.choices.append((answer, where))
            elif part not in {each.id for each in self.posed[posed].doses}:
                raise _refused(where, _NO_QUESTION)
            elif part in of.doses:
                raise _refused(where, "one question is answered twice")
            else:
                of.doses[part] = answer, where
        taken: dict[int, object] = {}
        for name, of in heard.items():
            said = self._said(self.posed[name], of)
            for number, resource in said.change.resources.items():
                if taken.setdefault(number, resource) != resource:
                    raise _refused(said.place, "two answers about one medicine differ")
            yield said

    def _said(self, posed: Posed, heard: _Heard) -> _AnsweredQuestion:
        if len(heard.choices) > 1:
            raise _refused(heard.choices[1][1], "one question is answered twice")
        if posed.count is not None:
            return self._number(posed, heard)
        choice = self._choice(posed, *heard.choices[0]) if heard.choices else None
        if choice is not None and choice.code != OTHERWISE:
            for _, where in heard.doses.values():
                raise _refused(where, "a dose is given beside another answer to the question")
            meant = tuple(line.preparation for line in choice.lines[: len(choice.change.added)])
            return _AnsweredQuestion(
                self._confirmed(posed, choice.words), choice.change, heard.place, meant
            )
        if not heard.doses:
            raise _refused(heard.place, "give the dose that is taken a day")
        return self._doses(posed, heard)

    def _choice(self, posed: Posed, answer: Resource, where: str) -> PossibleAnswer:
        coding = answer.get("valueCoding")
        if not isinstance(coding, dict) or not isinstance(coding.get("code"), str):
            raise _refused(f"{where}.value", "a Coding is expected: one of the question's choices")
        if coding.get("system", self.form.url) != self.form.url:
            raise _refused(f"{where}.value.system", "this is no code of the questions' own")
        for choice in posed.choices:
            if choice.code == coding["code"]:
                return choice
        raise _refused(f"{where}.value.code", "this is none of the question's choices")

    def _number(self, posed: Posed, heard: _Heard) -> _AnsweredQuestion:
        answer, where = heard.choices[0]
        value = answer.get("valueInteger")
        if type(value) is not int:
            raise _refused(f"{where}.value", "a whole number is expected")
        change = answered_visit(posed, {"valueInteger": value})
        return _AnsweredQuestion(self._confirmed(posed, str(value)), change, where)

    def _doses(self, posed: Posed, heard: _Heard) -> _AnsweredQuestion:
        if posed.resource != HANDED_OUT and posed.entry and len(heard.doses) > 1:
            where = list(heard.doses.values())[1][1]
            raise _refused(where, "this is one medicine: give its dose as one of them")
        lines = {line.id: line for line in posed.doses}
        given = [
            (lines[line], _quantity(answer, where), where)
            for line, (answer, where) in heard.doses.items()
        ]
        words = " and ".join(_dose_words(line, quantity) for line, quantity, _ in given)
        confirmed = self._confirmed(posed, words)
        if posed.entry is None or posed.resource == HANDED_OUT:
            added = tuple(self._statement(line, quantity) for line, quantity, _ in given)
            meant = tuple(line for line, _, _ in given)
            return _AnsweredQuestion(confirmed, Amendment(added=added), heard.place, meant)
        ((line, quantity, _),) = given
        written = self._written(posed.entry.resource, quantity)
        settled = Vouched(meant={posed.entry.path: line})
        return _AnsweredQuestion(
            confirmed, Amendment({posed.number: written}, settled), heard.place
        )

    def _written(self, resource: Resource, quantity: Resource) -> Resource:
        dosage = {"timing": DAILY, "doseAndRate": [{"doseQuantity": quantity}]}
        version = self.reading.shape.version
        return written_clearly(resource, [dosage], self.reading.calendar, version)

    def _statement(self, line: Preparation, quantity: Resource) -> Resource:
        """A statement of what is taken, where the record holds none."""
        name = f"{self.form.id}|{line.id}|{content_digest(quantity)}|{self.reading.as_of}"
        dosage = {"timing": DAILY, "doseAndRate": [{"doseQuantity": quantity}]}
        return statement_of(stable_id(name), line, [dosage], self.reading)

    def _confirmed(self, posed: Posed, words: str) -> Confirmed:
        return Confirmed(posed.question.expression, posed.question.question, words)


_NO_QUESTION = "the record asks no such question: ask again, and answer what is asked then"


def _refused(place: str, why: str) -> Unreadable:
    return Unreadable(ReadCategory.CONFLICT, place, why)


def _refuse_unfit(response: Resource, place: str, reading: Reading) -> None:
    """Refuse answers that are not final, or of another patient."""
    for element in ("modifierExtension", "implicitRules"):
        if element in response:
            raise _refused(f"{place}.{element}", "this may change the meaning of the answers")
    if response.get("status") not in _FINAL:
        raise _refused(f"{place}.status", f"answers that are {' or '.join(_FINAL)} are read")
    subject = response.get("subject")
    named = subject.get("reference") if isinstance(subject, dict) else None
    if named is None:
        return
    patient = reading.patient
    names = {patient.reference, f"Patient/{patient.resource.get('id')}", patient.address}
    if not isinstance(named, str) or without_version(named) not in names:
        raise _refused(f"{place}.subject", "these are answers about another patient")


def _answers_in(items: object, place: str) -> Iterator[tuple[str, Resource, str]]:
    """Every answer with the name of its question, however deep it stands."""
    if not isinstance(items, list):
        raise Unreadable(ReadCategory.STRUCTURE, place, "expected an array")
    for number, item in enumerate(items):
        where = f"{place}[{number}]"
        link = item.get("linkId") if isinstance(item, dict) else None
        if not isinstance(item, dict) or not isinstance(link, str):
            raise Unreadable(ReadCategory.STRUCTURE, where, "an item with its linkId is expected")
        answers = item.get("answer", [])
        if not isinstance(answers, list) or not all(isinstance(a, dict) for a in answers):
            raise Unreadable(
                ReadCategory.STRUCTURE, f"{where}.answer", "expected a list of answers"
            )
        for place_of, answer in enumerate(answers):
            own = f"{where}.answer[{place_of}]"
            if any(key.startswith("value") for key in answer):
                yield link, answer, own
            yield from _answers_in(answer.get("item", []), f"{own}.item")
        yield from _answers_in(item.get("item", []), f"{where}.item")


def _quantity(answer: Resource, where: str) -> Resource:
    """A dose a day as it was given; the reader judges its unit and its size."""
    quantity = answer.get("valueQuantity")
    value = quantity.get("value") if isinstance(quantity, dict) else None
    if not isinstance(quantity, dict) or type(value) not in (int, Decimal):
        raise _refused(f"{where}.value", "a Quantity is expected: the dose that is taken a day")
    if exact(value, f"{where}.value") < 0:
        raise _refused(f"{where}.value.value", "a dose cannot be negative")
    return quantity


_MICROGRAM = unit_of_word("ug")


def _dose_words(line: Preparation, quantity: Resource) -> str:
    value = as_written(exact(quantity["value"], ""))
    written = quantity.get("unit") or quantity.get("code")
    known = unit_of_word(written) if isinstance(written, str) else None
    unit = unit_word("ug", exact(quantity["value"], "")) if known == _MICROGRAM else written
    unit = unit or "without a unit"
    return f"{line_name(line)}: {value} {unit} a day"


def _with_changes(
    bundle: Resource, said: Sequence[_AnsweredQuestion], added: Sequence[Resource]
) -> Resource:
    entries = list(bundle["entry"])
    for one in said:
        for number, resource in one.change.resources.items():
            told = {k: v for k, v in entries[number].items() if k != "modifierExtension"}
            kept = {**told, "resource": resource}
            entries[number] = _LEFT_OUT if resource is None else kept
    entries += [{"fullUrl": urn(each["id"]), "resource": each} for each in added]
    return {**bundle, "entry": entries}


def _settled(said: Sequence[_AnsweredQuestion], entries: int, root: str) -> Vouched:
    """What is settled of the resources of the record, and of those that are added to it."""
    settled = NOTHING_VOUCHED
    for one in said:
        settled = settled.and_also(one.change.settled)
    lines = [line for one in said for line in one.meant]
    places = {f"{root}.entry[{entries + n}].resource": line for n, line in enumerate(lines)}
    return settled.and_also(Vouched(meant=places))
