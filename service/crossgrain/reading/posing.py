"""Posing the questions of a record: what names each, what it quotes, which answers it may have.

A question is named by a digest of the resource, the element and what is asked. A resource without
an id is named by its content, so that no name changes where the record is sent in another order.
The form as a whole is named by its questions, by the content of what they ask about and by the
possible answers: an answer to another record's questions, or to these before the record changed,
names another form.
"""

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from hashlib import sha256
from typing import Any, Unpack

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.dosing.targets import Target
from crossgrain.names.identity import stable_id
from crossgrain.reading.choices import (
    as_handed_out,
    item_number,
    not_taken,
    reading_choice,
    vouched,
    yes_or_no,
)
from crossgrain.reading.clear import Resource
from crossgrain.reading.code_tables import AnswerType, Item
from crossgrain.reading.door import Look, open_record
from crossgrain.reading.elements import Asked, Asks, Unreadable
from crossgrain.reading.medication_resources import product_named
from crossgrain.reading.question_form import (
    OTHERWISE,
    Amendment,
    Posed,
    PossibleAnswer,
    QuestionForm,
)
from crossgrain.reading.reading import Notes, Reading, Vouched, resource_of
from crossgrain.reading.record import Question
from crossgrain.reading.record_words import medicine_of, words_of
from crossgrain.reading.resolve import Entry
from crossgrain.reading.supply import hand_over_in, probable_dose
from crossgrain.reading.told import Told, told_by
from crossgrain.reading.variants import possible_doses
from crossgrain.reading.views import Medicine, view

_MEDICINES = frozenset({"MedicationStatement", "MedicationRequest"})
HANDED_OUT = "MedicationDispense"
_NAMED = _MEDICINES | {HANDED_OUT}
"""What is asked about by the name of its medicine and in its own words."""
_OF_MEDICINE = frozenset({Asks.DOSE, Asks.MEDICINE, Asks.TAKEN})
MOST_MEDICINES_READ = 40
MOST_CHARACTERS_READ = 24_000
"""Of one form: medicines whose readings are sought, and characters of them, each being read up to a
hundred times. Those beyond are asked about without readings."""


def posed_in(bundle: Resource, questions: Sequence[Question], **look: Unpack[Look]) -> QuestionForm:
    """The form of what a record leaves open.

    Parameters
    ----------
    bundle : the record that the questions are of
    questions : in their order
    look : as for `open_record`
    """
    poser = _Poser(bundle, **look)
    posed = tuple(poser.pose(questions))
    # whose record it is, so that no other patient's answers are taken for these
    parts = [poser.patient]
    parts += sorted(
        "|".join((each.id, each.content, *(choice.code for choice in each.choices)))
        for each in posed
    )
    return QuestionForm(posed, stable_id("questions|" + "\n".join(parts)))


def content_digest(resource: Mapping[str, Any]) -> str:
    """A digest of a resource that does not follow the order of its elements."""
    content = json.dumps(resource, sort_keys=True, default=str, ensure_ascii=False)
    return sha256(content.encode("utf-8", "surrogatepass")).hexdigest()[:32]


def _characters(resource: Resource) -> int:
    """Characters of a resource as JSON, without its narrative."""
    told = {key: value for key, value in resource.items() if key != "text"}
    return len(json.dumps(told, default=str, ensure_ascii=False))


class _Poser:
    """Poses the questions of one record."""

    def __init__(self, bundle: Resource, **look: Unpack[Look]) -> None:
        self.reading: Reading = open_record(bundle, **look).reading
        self.entries = {entry.path: entry for entry in self.reading.index.entries}
        self.numbers = {
            f"{self.reading.index.root}.entry[{number}].resource": number
            for number in range(len(bundle["entry"]))
        }
        self.patient = self._name(self.reading.patient)
        self.names: Counter[str] = Counter()
        self.doses: dict[str, list[tuple[DoseLine, ...]]] = {}
        self.characters = 0

    def pose(self, questions: Sequence[Question]) -> Iterator[Posed]:
        for question in questions:
            path = resource_of(question.of or question.expression)
            entry = self.entries.get(path)
            element = self._element(question, entry)
            own = f"{self._name(entry)}|{element}|{question.asks}"
            self.names[own] += 1
            again = f"|{self.names[own]}" if self.names[own] > 1 else ""
            name = sha256(f"{own}{again}".encode("utf-8", "surrogatepass")).hexdigest()[:32]
            yield self._posed(question, name, element, entry)

    def _name(self, entry: Entry | None) -> str:
        if entry is None:
            return f"record|{self.patient}"
        return content_digest(entry.resource) if entry.reference == entry.path else entry.reference

    def _element(self, question: Question, entry: Entry | None) -> str:
        path = entry.path if entry else self.reading.index.root
        asked_of = question.expression
        if asked_of.startswith(path):
            return asked_of[len(path) :].lstrip(".")
        return resource_element(asked_of)

    def _posed(self, question: Question, name: str, element: str, entry: Entry | None) -> Posed:
        if entry is None:
            doses = tuple(self._preparations(None)) if question.asks is Asks.NOW else ()
            choices = tuple(self._of_record(question))
            kind = "MedicationStatement" if question.asks is Asks.NOW else "Bundle"
            return Posed(question, name, kind, element, choices=choices, doses=doses)
        number = self.numbers[entry.path]
        posed = Posed(
            question,
            name,
            entry.kind,
            element,
            entry=entry,
            number=number,
            content=content_digest(entry.resource),
            medicine=medicine_of(entry.resource) if entry.kind in _NAMED else "",
            words=tuple(words_of(entry.resource)) if entry.kind in _NAMED else (),
        )
        return self._with_answers(posed, entry)

    def _with_answers(self, posed: Posed, entry: Entry) -> Posed:
        asks = posed.question.asks
        if asks is Asks.HOW_IT_GOES:
            item = self._item(posed)
            count = item.most if item and item.type is not AnswerType.YES_OR_NO else None
            return replace(posed, choices=() if item is None else yes_or_no(posed), count=count)
        if entry.kind == HANDED_OUT:
            return replace(
                posed,
                choices=tuple(self._of_hand_over(posed, entry)),
                doses=tuple(self._preparations(self._kind_handed_out(entry))),
            )
        of_dose = entry.kind in _MEDICINES and asks in _OF_MEDICINE and not self._denied(posed)
        if of_dose:
            return replace(
                posed,
                choices=tuple(self._of_medicine(posed, entry)),
                doses=tuple(self._preparations(self._kind(entry))),
            )
        return replace(posed, choices=tuple(self._of_resource(posed, entry)))

    def _denied(self, posed: Posed) -> bool:
        """Whether the medicine itself is clear, and only another resource speaks against it."""
        return posed.question.asks is Asks.TAKEN and not posed.element

    def _of_medicine(self, posed: Posed, entry: Entry) -> Iterator[PossibleAnswer]:
        for lines in self._readings(entry):
            yield reading_choice(posed, lines, self.reading)
        yield from not_taken(posed)
        if posed.question.asks is Asks.MEDICINE:
            no_hormone = Vouched(meant={entry.path: None})
            yield PossibleAnswer(
                "no-thyroid-hormone", "It is no thyroid hormone", Amendment(settled=no_hormone)
            )
        yield PossibleAnswer(OTHERWISE, "Another dose: given below")

    def _readings(self, entry: Entry) -> Sequence[tuple[DoseLine, ...]]:
        """The doses that a medicine may mean, for as many and as long ones as a form has room."""
        if entry.path not in self.doses:
            characters = _characters(entry.resource)
            room = self.characters + characters <= MOST_CHARACTERS_READ
            if not room or len(self.doses) >= MOST_MEDICINES_READ:
                return ()
            self.characters += characters
            self.doses[entry.path] = possible_doses(entry, self.reading, self._kind(entry))
        return self.doses[entry.path]

    def _kind(self, entry: Entry) -> Kind | None:
        """Which hormone a medicine is, where that is told."""
        try:
            told = told_by(entry, self.reading.with_notes(Notes()))
        except (Asked, Unreadable):
            return None
        return told.kind if isinstance(told, Told) else None

    def _of_hand_over(self, posed: Posed, entry: Entry) -> Iterator[PossibleAnswer]:
        """What was probably taken first: a hand-over is a sign, and no dose by itself."""
        apart = self.reading.with_notes(Notes())
        handed = hand_over_in(entry, apart)
        choice = as_handed_out(posed, probable_dose(handed, apart), apart) if handed else None
        if choice is not None:
            yield choice
        yield from not_taken(posed)
        yield PossibleAnswer(
            OTHERWISE, "Another dose: given below" if choice else "It is: as given below"
        )

    def _kind_handed_out(self, entry: Entry) -> Kind | None:
        """Which hormone was handed out; it is asked about only where that is told."""
        seen = view(entry.resource, Medicine, entry.path)
        product, _ = product_named(seen, entry, self.reading.with_notes(Notes()))
        return product.kind if product else None

    def _preparations(self, kind: Kind | None) -> Iterator[Preparation]:
        """What a dose can be given of: of the hormone it is, else of each that is prescribed."""
        for preparation in self.reading.preparations.values():
            plain = preparation.kind not in (Kind.FIXED_RATIO, Kind.COMPOUNDED)
            if preparation.kind is kind or (kind in (None, Kind.COMPOUNDED) and plain):
                yield preparation

    def _of_resource(self, posed: Posed, entry: Entry) -> Iterator[PossibleAnswer]:
        question = posed.question
        settled = Vouched(frozenset({(question.expression, question.asks)}))
        match question.asks:
            case Asks.TAKEN:
                yield PossibleAnswer(
                    "taken", "It is taken now, as written", Amendment(settled=settled)
                )
                yield from not_taken(posed)
            case Asks.WHICH_OF_TWO:
                yield from self._of_two(posed)
            case Asks.WHOSE:
                yield PossibleAnswer("yes", "Yes, it is this patient's", Amendment(settled=settled))
                yield PossibleAnswer("no", "No: leave it out", Amendment({posed.number: None}))
            case Asks.WHOLE | Asks.RIGHT_RECORD:
                yield from vouched(settled)
            case Asks.ORDER:
                order = Amendment(options=(("order", entry.reference),))
                yield PossibleAnswer("judge", "This is the order to judge", order)
                yield PossibleAnswer("leave", "Leave it aside")
            case Asks.TARGET:
                for target in Target:
                    chosen = Amendment(options=(("target", str(target)),))
                    yield PossibleAnswer(str(target), f"To {_spelt(target)}", chosen)

    def _of_two(self, posed: Posed) -> Iterator[PossibleAnswer]:
        question = posed.question
        path = resource_of(question.expression)
        beside = self.numbers.get(question.beside)
        places = {question.expression, path, question.beside}
        both = Vouched(frozenset((place, Asks.WHICH_OF_TWO) for place in places))
        yield PossibleAnswer("both", "Both are taken", Amendment(settled=both))
        if beside is not None:
            other = medicine_of(self.entries[question.beside].resource)
            yield PossibleAnswer("this", "This one alone is taken", Amendment({beside: None}))
            yield PossibleAnswer(
                "other",
                f"The other alone is taken ({other or 'unnamed'})",
                Amendment({posed.number: None}),
            )

    def _of_record(self, question: Question) -> Iterator[PossibleAnswer]:
        settled = Vouched(frozenset({(question.expression, question.asks)}))
        match question.asks:
            case Asks.WHOLE | Asks.RIGHT_RECORD:
                yield from vouched(settled)
            case Asks.NOW:
                yield PossibleAnswer(OTHERWISE, "What is taken is given below")

    def _item(self, posed: Posed) -> Item | None:
        """The question of a visit that an answer of the patient's is to."""
        items = posed.entry.resource.get("item", []) if posed.entry else []
        link = items[item_number(posed)].get("linkId")
        return next((i for i in self.reading.codes.how_it_goes.item if i.id == link), None)


def resource_element(expression: str) -> str:
    """An expression without its root and the place of its resource."""
    path = resource_of(expression)
    return expression[len(path) :].lstrip(".") if path != expression else expression


def _spelt(code: str) -> str:
    return code.replace("-", " ")
