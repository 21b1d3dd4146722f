"""A safety finding: what was seen, how grave it is, what to do."""

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """`stop`: no series. `hold`: a series not to be started before a named act. `note`: shown."""

    STOP = "stop"
    HOLD = "hold"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Finding:
    """Raised by a rule.

    Attributes
    ----------
    code : our own code for the rule, e.g. ``t3-above-75``
    severity : stop, hold or note
    statement : what was found, one sentence, with its numbers
    action : what to do, or what would lift it
    origins : handles of the resources that raised it (references or FHIRPaths)
    source : on whose word
    instruction : what the dosage text of every proposed order must also say, or empty
    act : what is to be done on a day of the plan, or empty
    day : that day; day 0 is the plan's first
    """

    code: str
    severity: Severity
    statement: str
    action: str
    origins: tuple[str, ...]
    source: str
    instruction: str = ""
    act: str = ""
    day: int | None = None


_ORDER = {Severity.STOP: 0, Severity.HOLD: 1, Severity.NOTE: 2}


def most_severe_first(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Stops, then holds, then notes; the order within each is kept."""
    return tuple(sorted(findings, key=lambda finding: _ORDER[finding.severity]))
