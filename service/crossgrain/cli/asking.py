"""The questions of a record, put at the prompt: each with its words and its possible answers."""

import re
import sys
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, NamedTuple

import typer

from crossgrain.dosing.preparations import Preparation
from crossgrain.reading.choices import line_name
from crossgrain.reading.codesystems import UCUM
from crossgrain.reading.question_form import OTHERWISE, Posed, QuestionForm

Resource = dict[str, Any]


def at_a_terminal() -> bool:
    """Whether somebody is there to be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


class Said(NamedTuple):
    """What was answered, as a QuestionnaireResponse or ``None``, and whether input has ended."""

    response: Resource | None
    is_over: bool


def asked_of(form: QuestionForm) -> Said:
    """Ask every question of a form; where the input ends, the rest is left open."""
    typer.echo("\nAnswer by number; leave a line empty to leave the question open.")
    items: list[Resource] = []
    is_over = False
    try:
        for posed in form.posed:
            items += _answer(posed)
    except EOFError:
        typer.echo()
        is_over = True
    if not items:
        return Said(None, is_over)
    response = {
        "resourceType": "QuestionnaireResponse",
        "questionnaire": form.url,
        "status": "completed",
        "item": items,
    }
    return Said(response, is_over)


def _answer(posed: Posed) -> Iterator[Resource]:
    if not posed.choices:
        return
    typer.echo(f"\n{posed.words_asked}")
    for words in posed.quoted:
        typer.echo(f"  {words}")
    if posed.count is not None:
        number = _prompted("A number", posed.count, least=0)
        if number is not None:
            yield {"linkId": posed.id, "answer": [{"valueInteger": number}]}
        return
    for number, choice in enumerate(posed.choices, start=1):
        typer.echo(f"  {number}  {choice.words}")
    picked = _prompted("Which", len(posed.choices), least=1)
    if picked is None:
        return
    choice = posed.choices[picked - 1]
    answer: Resource = {"valueCoding": {"code": choice.code}}
    if choice.code == OTHERWISE:
        answer["item"] = [dose for line in posed.doses for dose in _dose(posed, line)]
    if answer.get("item") != []:
        yield {"linkId": posed.id, "answer": [answer]}


def _prompted(words: str, most: int, *, least: int) -> int | None:
    """A whole number from `least` to `most`; ``None`` where the line is left empty."""
    while True:
        said = input(f"{words}: ").strip()
        if not said:
            return None
        if said.isascii() and said.isdigit() and least <= int(said) <= most:
            return int(said)
        typer.echo(f"A number from {least} to {most}.")


_PLAIN = re.compile(r"\d{1,6}(?:\.\d{1,6})?", re.ASCII)


def _dose(posed: Posed, line: Preparation) -> Iterator[Resource]:
    """The dose a day of one medicine, asked until it is a plain number or nothing."""
    while True:
        unit = "micrograms" if line.unit == "ug" else line.unit
        said = input(f"{line_name(line)}, {unit} a day: ").strip()
        if not said:
            return
        if _PLAIN.fullmatch(said):
            break
        typer.echo("A plain number, such as 62.5.")
    quantity = {"value": Decimal(said), "unit": line.unit, "system": UCUM, "code": line.unit}
    yield {"linkId": f"{posed.id}.{line.id}", "answer": [{"valueQuantity": quantity}]}
