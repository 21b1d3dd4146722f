"""What the reader jots down while it reads: questions, what it passed over, what it used."""

import re
from collections.abc import Collection
from dataclasses import dataclass, field

from crossgrain.reading.errors import Asked
from crossgrain.reading.record import Question, Unread


@dataclass(slots=True)
class Notes:
    """Filled in the order of the record; each line once."""

    questions: dict[Question, None] = field(default_factory=dict)
    passed_over: dict[Unread, None] = field(default_factory=dict)
    to_confirm: dict[Question, None] = field(default_factory=dict)
    used: dict[str, str] = field(default_factory=dict)
    """FHIRPath of each resource that was used → its reference."""

    def ask(self, asked: Asked) -> None:
        """Keep a question that must be answered before a dose can be computed."""
        self.questions[Question(asked.expression, asked.question)] = None

    def unread(self, expression: str, why: str) -> None:
        """Say that an element was passed over, and why."""
        self.passed_over[Unread(expression, why)] = None

    def confirm(self, expression: str, question: str) -> None:
        """Say what was read without certainty and is to be confirmed."""
        self.to_confirm[Question(expression, question)] = None

    def use(self, path: str, reference: str) -> None:
        """Remember that the resource at `path` went into the answer."""
        self.used[path] = reference

    def forget(self, paths: Collection[str]) -> None:
        """Drop what is asked, or to be confirmed, of resources that turned out not to count.

        `paths` are those of resources, as in ``Bundle.entry[2].resource``.
        """
        for noted in (self.questions, self.to_confirm) if paths else ():
            for question in [q for q in noted if _resource_of(q.expression) in paths]:
                del noted[question]


_ENTRY = re.compile(r".*?\.entry\[\d+\]\.resource")


def _resource_of(expression: str) -> str:
    """The path of the record's resource that an expression lies in, wherever the record stands.

    >>> _resource_of("Parameters.parameter[1].resource.entry[2].resource.dosage[0]")
    'Parameters.parameter[1].resource.entry[2].resource'
    """
    found = _ENTRY.match(expression)
    return found[0] if found else expression
