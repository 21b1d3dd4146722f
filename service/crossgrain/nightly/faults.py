"""What keeps a run from starting or from being whole. Nothing here holds a value of a record."""

from dataclasses import dataclass


class RunRefused(Exception):
    """A run that cannot be made as asked; the message says why, for the one who asked."""


class AlreadyRunning(RunRefused):
    """Another run works in the same folder."""


@dataclass(frozen=True, slots=True, order=True)
class InputFault:
    """One place of the input that could not be read. The rest is screened.

    `line` counts from 1; 0 stands for the file as a whole.
    """

    file: str
    line: int
    why: str
