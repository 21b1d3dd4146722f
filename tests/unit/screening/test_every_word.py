"""Every flag, reason and line of arithmetic that a grid of courses gives, as it was approved.

Who works through the list reads these words. They stand in `words.txt`, each once; a change of a
word is a change of that file, to be read as a prescriber would:

    python -m tests.unit.screening.test_every_word
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from pathlib import Path

from tests.unit.screening.courses import LIMITS, screened, to_desiccated, took, tsh

from crossgrain.screening.course import Aim, Dispense, DoseRun, End, Flag, TakingHistory

APPROVED = Path(__file__).with_name("words.txt")
BEFORE = ((), (tsh(2, -300),), (tsh(9, -300),), (tsh("0.2", -300),))
AFTER = (
    (),
    (tsh("2.5", -20),),
    (tsh(7, -120), tsh(12, -20, "0.5", "5.0")),
    (tsh("0.05", -20, comparator="<"),),
)
PATIENTS: tuple[dict[str, object], ...] = (
    {},
    {"age_years": 72, "frail": True},
    {"aims": frozenset({Aim.CENTRAL})},
    {"aims": frozenset({Aim.PREGNANCY})},
    {"aims": frozenset({Aim.SUPPRESSION})},
)


def courses() -> Iterator[TakingHistory]:
    """Old dose by new dose, results before and after, and what sets a patient apart."""
    for (lt4, mg), before, after in product(((100, 60), (100, 30), (50, 120)), BEFORE, AFTER):
        for patient in PATIENTS:
            yield to_desiccated(*before, *after, lt4=lt4, mg=mg, **patient)
    old, new = to_desiccated().intakes
    yield TakingHistory((), deceased=True)
    yield TakingHistory((old,))
    yield to_desiccated(planned_until=20)
    yield to_desiccated(mg=30, ago=20)
    yield to_desiccated(unread_labs=("Observation/t",))
    yield TakingHistory((replace(old, last_day=None), new))
    yield TakingHistory((old, took("dt", 60, -200, -60)))
    yield TakingHistory((took("lt4", 100, -2000, -900), new))
    yield TakingHistory((old, replace(new, doubt="which dose was taken?")))
    yield TakingHistory((old, new, took("dt", 30, -150)))
    for kind in (old.kind, new.kind):
        yield TakingHistory((old, new), dispenses=(Dispense(kind, -20, "MedicationDispense/d"),))
    yield TakingHistory(
        tuple(took("dt", 60, -200, reference=f"x/{n}") for n in range(LIMITS.work_at_once + 1))
    )
    yield TakingHistory(
        (took("lt4", 100, -1200, -201), took("lt3", 5, -200), took("lt4", 50, -200))
    )
    yield TakingHistory((old, took("dt", 120, -200, -61), took("lt4", 100, -60)))
    yield TakingHistory((_undated(old),))
    yield TakingHistory((_undated(old), new))


def _undated(intake: DoseRun) -> DoseRun:
    return replace(intake, last_day=None, end=End.UNDATED)


def words_of(flag: Flag) -> Iterator[str]:
    """What a flag says."""
    yield f"{flag.code}, {flag.grade}, {flag.urgency}"
    yield f"statement: {flag.statement}"
    yield from (f"arithmetic: {line}" for line in flag.arithmetic)
    yield from (f"evidence: {each.statement} {each.references}" for each in flag.evidence)
    yield f"act: {flag.act}"
    yield f"source: {flag.source}"


def every_word() -> str:
    """Each line once, in order."""
    lines = set()
    for course in courses():
        found = screened(course)
        lines.add(f"{found.outcome}: {found.why} {found.references}")
        lines |= {line for flag in found.flags for line in words_of(flag)}
    return "".join(f"{line}\n" for line in sorted(lines))


def test_every_word_is_as_it_was_approved() -> None:
    assert every_word() == APPROVED.read_text("utf-8")


if __name__ == "__main__":
    APPROVED.write_text(every_word(), "utf-8")
