"""What a record leaves open, as a Questionnaire and as data requirements; and what was answered."""

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from crossgrain.names.identity import RESOURCE_SYSTEM
from crossgrain.names.printing import unit_word
from crossgrain.reading.choices import line_name
from crossgrain.reading.question_form import OTHERWISE, Posed, QuestionForm
from crossgrain.reading.record import Confirmed, Record
from crossgrain.writing.elements import bullets, narrative, paragraph, plain
from crossgrain.writing.letterhead import Letterhead, Resource
from crossgrain.writing.parts import PartDefinition, one

_TITLE = "What must be answered before a dose can be computed"


def questionnaires(letter: Letterhead) -> Iterator[Resource]:
    """The form of what the record leaves open, where it leaves anything open."""
    if letter.form:
        yield questionnaire(letter.form, letter.authored)


def questionnaire(form: QuestionForm, on: str) -> Resource:
    """A form as R4 writes it; `on` is the day on which the record was read."""
    return {
        "resourceType": "Questionnaire",
        "id": form.id,
        "text": narrative(paragraph(_TITLE), bullets(posed.words_asked for posed in form.posed)),
        "url": form.url,
        "identifier": [{"system": RESOURCE_SYSTEM, "value": form.id}],
        "title": _TITLE,
        "status": "active",
        "subjectType": ["Patient"],
        "date": on,
        "item": [_item(posed, form.url) for posed in form.posed],
    }


def _item(posed: Posed, system: str) -> Resource:
    """One question: its words, its possible answers, and a dose in the place of these."""
    kind = "choice" if posed.choices else "display"
    kind = kind if posed.count is None else "integer"
    item: Resource = {"linkId": posed.id, "text": plain(posed.words_asked), "type": kind}
    if kind == "choice":
        item["answerOption"] = [
            {"valueCoding": {"system": system, "code": c.code, "display": plain(c.words)}}
            for c in posed.choices
        ]
    within = [*_words(posed), *_doses(posed, system)]
    if within and kind != "display":
        item["item"] = within
    return item


def _words(posed: Posed) -> Iterator[Resource]:
    for number, words in enumerate(posed.quoted):
        yield {"linkId": f"{posed.id}.words.{number}", "text": plain(words), "type": "display"}


def _doses(posed: Posed, system: str) -> Iterator[Resource]:
    """The dose a day of each medicine that it may be, where none of the choices is right."""
    for preparation in posed.doses:
        unit = unit_word(preparation.unit, Fraction(2))
        yield {
            "linkId": f"{posed.id}.{preparation.id}",
            "text": plain(f"{line_name(preparation)}: the dose taken a day, in {unit}"),
            "type": "quantity",
            "enableWhen": [
                {
                    "question": posed.id,
                    "operator": "=",
                    "answerCoding": {"system": system, "code": OTHERWISE},
                }
            ],
        }


def data_requirement(posed: Posed) -> Resource:
    """The element that is asked about, for a machine."""
    requirement: Resource = {"id": posed.id, "type": posed.resource}
    if posed.element and posed.resource != "Bundle":
        requirement["mustSupport"] = [plain(posed.element)]
    return requirement


def _confirmed(of: Any) -> list[Confirmed]:
    record: Record = of.proposal.record if isinstance(of, Letterhead) else of.record
    return list(record.testimony.confirmed)


ANSWERED = PartDefinition(
    "answered", "", 0, "*", "What the caller answered of the record, and confirmed by that",
    (
        one("expression", "string", "FHIRPath of the element", lambda it: it.expression),
        one("question", "string", "What was asked", lambda it: it.question),
        one("answer", "string", "The answer in words", lambda it: it.answer),
    ),
    _confirmed,
)  # fmt: skip
"""Of a `Letterhead`, or of what else holds a `Record`."""


def answered_words(confirmed: Confirmed) -> str:
    """An answer as a person reads it."""
    return (
        f"{confirmed.question} Answered by who asked: {confirmed.answer}. ({confirmed.expression})"
    )
