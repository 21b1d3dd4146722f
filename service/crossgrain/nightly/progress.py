"""Progress with rate and time left: a bar in a terminal, a line per stage elsewhere."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from typing import Protocol

from rich.console import Console
from rich.filesize import decimal
from rich.progress import (
    BarColumn,
    ProgressColumn,
    Task,
    TaskProgressColumn,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.progress import Progress as Bar
from rich.text import Text

Advance = Callable[[int], None]


class Progress(Protocol):
    """Who is told how far a run is."""

    def stage(self, name: str, total: int | None, unit: str) -> AbstractContextManager[Advance]:
        """Begin a stage of so much work; the result is called with what is done."""


class OnConsole:
    """A bar per stage in a terminal, and one line per stage in a log."""

    def __init__(self, console: Console) -> None:
        self._console = console

    @contextmanager
    def stage(self, name: str, total: int | None, unit: str) -> Iterator[Advance]:
        """Show one stage while it lasts."""
        with _bar(self._console) as bar:
            task = bar.add_task(name, total=total, unit=unit)
            yield lambda done: bar.advance(task, done)
            ended = bar.tasks[0]
            if total is None:
                bar.update(task, total=1, completed=1)
        if not self._console.is_terminal:
            amount = _amount(ended.completed, unit) if unit else "done"
            with suppress(OSError):  # a log that is full or gone stops no run
                self._console.print(f"{name}: {amount} in {ended.elapsed or 0:.1f} s")


def _bar(console: Console) -> Bar:
    return Bar(
        TextColumn("{task.description:<9}"),
        BarColumn(),
        TaskProgressColumn(),
        _Rate(),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
        console=console,
        disable=not console.is_terminal,
    )


class _Rate(ProgressColumn):
    """How much is done per second."""

    def render(self, task: Task) -> Text:
        unit = task.fields["unit"]
        if not unit or not task.speed:
            return Text("")
        return Text(f"{_amount(task.speed, unit)}/s")


def _amount(count: float, unit: str) -> str:
    return decimal(int(count)) if unit == "B" else f"{count:,.0f} {unit}"
