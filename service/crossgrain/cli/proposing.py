"""``crossgrain propose`` and ``crossgrain next``: the HTTP operations, run on a file."""

import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import typer

from crossgrain.catalogue import load_catalogue
from crossgrain.cli import asking
from crossgrain.cli.commands import Exit
from crossgrain.core.proposal import Outcome, Proposal
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations import next_step
from crossgrain.operations.desk import Desk, desk_over, now, parse_resource
from crossgrain.operations.faults import (
    RequestRefused,
    did_you_mean,
    operation_outcome,
    refused_by_domain,
)
from crossgrain.operations.parameters import ANSWERS, Given, from_query, with_beside, with_plan
from crossgrain.operations.propose_switch import Settled, answer_to, settle
from crossgrain.operations.sheets import SettledSheet, sheet_of_switch, sheet_of_visit
from crossgrain.writing.forms import to_json

_EXITS = {
    Outcome.PLAN: Exit.PLAN,
    Outcome.STOP: Exit.STOP,
    Outcome.DATA_REQUIRED: Exit.DATA_REQUIRED,
}


@frozen
class ProposeCall:
    """What was asked on the command line."""

    body: bytes
    options: Mapping[str, str]
    repeated: Mapping[str, tuple[str, ...]]
    version: FhirVersion
    chart: Path | None
    answers: tuple[bytes, ...] = ()

    @property
    def called(self) -> dict[str, Any]:
        """The record, with the answers to its questions beside it."""
        body = parse_resource(self.body)
        for answers in self.answers:
            body = with_beside(body, ANSWERS, parse_resource(answers))
        return body

    @property
    def given(self) -> tuple[Given, ...]:
        """The options, each with its place."""
        repeated = (
            Given(name, value, f"Parameters.parameter.where(name='{name}')")
            for name, values in self.repeated.items()
            for value in values
        )
        return (*from_query(self.options.items()), *repeated)


def read_input(file: str) -> bytes:
    """The bytes of a file, or of standard input for ``-``."""
    try:
        content = sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
    except IsADirectoryError as wrong:
        inside = next(iter(sorted(Path(file).glob("*.json"))), None)
        hint = f", such as {inside}" if inside else ""
        raise typer.BadParameter(f"{file}: it is a directory; name a file in it{hint}") from wrong
    except FileNotFoundError as wrong:
        beside = [path.name for path in Path(file).parent.glob("*.json")]
        near = did_you_mean(Path(file).name, beside)
        raise typer.BadParameter(f"{file}: {wrong.strerror}{near}") from wrong
    except OSError as wrong:
        raise typer.BadParameter(f"{file}: {wrong.strerror}") from wrong
    if not content.strip():
        raise typer.BadParameter(f"{'standard input' if file == '-' else file}: it is empty")
    return content


def as_json(question: ProposeCall) -> Exit:
    """Print exactly the bytes that the HTTP route answers with."""
    try:
        desk = _desk(question)
        settled = _settle(desk, question)
        answer = answer_to(desk, settled, question.version)
        status = _EXITS[settled.proposal.outcome]
    except RequestRefused as refused:
        answer, status = operation_outcome(refused.complaints), Exit.ERROR
    sys.stdout.buffer.write(to_json(answer))
    sys.stdout.buffer.flush()
    return status


def as_text(question: ProposeCall, *, why: bool) -> Exit:
    """Print the proposal for a reader at a terminal."""
    from crossgrain.cli.show.proposal import show  # noqa: PLC0415 - rich and plotext load here

    def shown(desk: Desk, settled: Settled) -> Proposal:
        proposal, form = settled.proposal, settled.form
        show(proposal, desk.catalogue, why=why, brief=settled.is_brief, form=form)
        return proposal

    return _until_answered(question, _settle, shown)


_Made = TypeVar("_Made", Settled, next_step.SettledStep)


def _until_answered(
    question: ProposeCall,
    settle_on: Callable[[Desk, ProposeCall], _Made],
    shown: Callable[[Desk, _Made], Proposal],
) -> Exit:
    """Show what is settled, and once more with whatever is answered at the prompt."""
    is_over = False
    try:
        desk = _desk(question)
        while True:
            settled = settle_on(desk, question)
            proposal = shown(desk, settled)
            if is_over or settled.form is None or not asking.at_a_terminal():
                return _EXITS[proposal.outcome]
            response, is_over = asking.asked_of(settled.form)
            if response is None:
                return _EXITS[proposal.outcome]
            question = replace(question, answers=(*question.answers, to_json(response)))
    except RequestRefused as refused:
        return _complain(refused)


def as_sheet(question: ProposeCall, file: Path) -> Exit:
    """Write the plan sheet to a file."""
    try:
        desk = _desk(question)
        body = question.called
        made = sheet_of_switch(desk, body, question.given, question.version)
    except RequestRefused as refused:
        return _complain(refused)
    return _write_sheet(desk, made, file)


def _write_sheet(desk: Desk, made: SettledSheet, file: Path) -> Exit:
    try:
        file.write_bytes(made.html(desk))
    except OSError as wrong:
        raise typer.BadParameter(f"{file}: {wrong.strerror}") from wrong
    typer.echo(f"The plan sheet is in {file}.", err=True)
    return _EXITS[made.sheet.proposal.outcome]


def _complain(refused: RequestRefused) -> Exit:
    for complaint in refused.complaints:
        typer.echo(f"{_spelt(complaint.expression)}{complaint.message}", err=True)
    return Exit.ERROR


def _desk(question: ProposeCall) -> Desk:
    try:
        return desk_over(load_catalogue(question.chart), now)
    except DomainError as error:
        raise refused_by_domain(error, lambda field: f"--chart, {field}") from error


def _settle(desk: Desk, question: ProposeCall) -> Settled:
    return settle(desk, question.called, question.given, question.version)


def next_step_as_json(question: ProposeCall, plan: bytes | None) -> Exit:
    """Print exactly the bytes that the HTTP route answers with; `plan` is an earlier answer."""
    try:
        desk = _desk(question)
        settled = _settle_next_step(desk, question, plan)
        answer = next_step.answer_to(desk, settled, question.version)
        status = _EXITS[settled.step.proposal.outcome]
    except RequestRefused as refused:
        answer, status = operation_outcome(refused.complaints), Exit.ERROR
    sys.stdout.buffer.write(to_json(answer))
    sys.stdout.buffer.flush()
    return status


def next_step_as_text(question: ProposeCall, plan: bytes | None) -> Exit:
    """Print the next step for a reader at a terminal."""
    from crossgrain.cli.show.proposal import show_next_step  # noqa: PLC0415 - rich loads here

    def shown(_: Desk, settled: next_step.SettledStep) -> Proposal:
        show_next_step(settled.step, form=settled.form)
        return settled.step.proposal

    return _until_answered(question, partial(_settle_next_step, plan=plan), shown)


def next_step_as_sheet(question: ProposeCall, plan: bytes | None, file: Path) -> Exit:
    """Write the sheet of the next step to a file."""
    try:
        desk = _desk(question)
        made = sheet_of_visit(desk, _with_plan(question, plan), question.given, question.version)
    except RequestRefused as refused:
        return _complain(refused)
    return _write_sheet(desk, made, file)


def _settle_next_step(
    desk: Desk, question: ProposeCall, plan: bytes | None
) -> next_step.SettledStep:
    return next_step.settle(desk, _with_plan(question, plan), question.given, question.version)


def _with_plan(question: ProposeCall, plan: bytes | None) -> dict[str, Any]:
    body = question.called
    return body if plan is None else with_plan(body, parse_resource(plan))


def _spelt(expression: str | None) -> str:
    """A place as the command line spells it."""
    if not expression:
        return ""
    return f"{expression.replace('http.', '--', 1)}: "
