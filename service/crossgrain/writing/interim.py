"""What the results of a draw on the way may change, and what they may not, for one patient.

The doses are still changing then, so the results are judged for one thing only: whether the next
step is too much. They may hold what rises in it, or take the last rise back; a result far too
high keeps what is to fall. None of them raises a dose or brings a step forward: that is left to
the labs at the checkpoint, which speak of a dose that has settled.
"""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from itertools import pairwise

from crossgrain.dosing.plan import LabDraw, Plan
from crossgrain.dosing.steps import LineDose, Step
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen
from crossgrain.safety.checks import DRAWN
from crossgrain.safety.results import TshLimits, Whose
from crossgrain.words.doses import daily_dose
from crossgrain.writing.letterhead import SERIES, Letterhead, Scope, Wording

BASELINE, INTERIM = "baseline", "interim"
NO_RISE = (
    "No result of it raises a dose or brings a step forward. Without a result, ask before the next"
    " step."
)
SYMPTOMS_ALONE = (
    "Jitteriness or anxiety alone, and any symptom with a TSH above the range: stay on this dose"
    " and look for another cause; it is no reason to lower it."
)
ELSE = "Any other result: go on as ordered."
_DECIDES = "nothing rises before the prescriber has decided, on the same day"


@frozen
class _Values:
    """At which values a draw on the way holds a rise, takes one back, or keeps what is to fall.

    Empty where none does. `then` is what else is done where far too little is found.
    """

    too_much: str
    far_too_much: str
    far_too_little: str
    then: str


def interim_words(
    wording: Wording, limits: TshLimits, steps: Sequence[Step], draw: LabDraw
) -> tuple[str, ...]:
    """What a draw on the way may change, by the patient's own limits and the medicines' names.

    Parameters
    ----------
    wording : the dates of the plan
    limits : what applies to the patient
    steps : the series, or the branch, that the draw belongs to
    draw : any; of one that is not on the way nothing is said
    """
    if draw.purpose != INTERIM:
        return ()
    values = _values(limits, swallows_t3=_takes_t3(steps))
    rises, falls = _changes(steps, draw.read_before) if draw.read_before else ([], [])
    back = _last_rise(steps, draw.day)
    said = [NO_RISE, *read_when(wording, draw)]
    if values.too_much and rises:
        goes_on = f"; {_names(falls)} may fall as ordered" if falls else ""
        held = f"{_names(rises)} does not rise in that step, nor later before the prescriber has"
        said.append(f"{values.too_much}: {held} decided{goes_on}.")
    to = f"go back to {daily_dose(back)}, and " if back else ""
    said.append(f"{values.far_too_much}: {to}{_DECIDES}.")
    if values.far_too_little:
        kept = f"{_names(falls)} does not fall in that step; " if falls else ""
        said.append(f"{values.far_too_little}: {kept}{values.then}.")
    return (*said, SYMPTOMS_ALONE, ELSE)


def interim_rule(limits: TshLimits, plan: Plan) -> tuple[str, ...]:
    """The same of all draws on the way at once, those of the branches too, where there are any."""
    branches = plan.checkpoint.branches
    draws = (*plan.labs, *(draw for branch in branches for draw in branch.labs))
    if not any(draw.purpose == INTERIM for draw in draws):
        return ()
    steps = (*plan.steps, *(step for branch in branches for step in branch.steps))
    values = _values(limits, swallows_t3=_takes_t3(steps))
    said = [f"Of a draw on the way to the labs that decide: {NO_RISE}"]
    if values.too_much:
        said.append(
            f"{values.too_much}: what is to rise in the next step does not, what is to fall may."
        )
    said.append(f"{values.far_too_much}: back to the dose before the last rise, and {_DECIDES}.")
    if values.far_too_little:
        kept = "what is to fall in the next step does not"
        said.append(f"{values.far_too_little}: {kept}; {values.then}.")
    return (*said, SYMPTOMS_ALONE, ELSE)


def read_when(wording: Wording, draw: LabDraw) -> Iterator[str]:
    """By when the results of a draw on the way are needed."""
    if draw.read_before is not None:
        yield f"To be read before the step of {wording.words(draw.read_before)}."
    elif draw.purpose == INTERIM:
        yield "No step follows it before the labs that decide."


def first_dose_waits(letter: Letterhead) -> Iterator[str]:
    """For which findings the first new dose waits for the baseline, where some of it is drawn."""
    asking = letter.proposal.baseline.awaited_by
    for finding in letter.findings:
        if finding.code in asking:
            yield (
                "The first new dose waits for these results, which may be drawn days before:"
                f" {finding.statement}"
            )


def baseline_words(letter: Letterhead) -> Iterator[str]:
    """The results of the record that stand as the baseline, and whether the first dose waits."""
    for known in letter.proposal.baseline.stands:
        shown = f"{DRAWN[known.analyte]} {known.comparator}{decimal(known.value)}"
        day = letter.proposal.request.as_of + timedelta(days=known.day or 0)
        yield (
            f"{shown[:1].upper()}{shown[1:]} {known.analyte.unit} of {letter.wording.dated(day)}"
            " stands as the baseline: not drawn again."
        )
    yield from first_dose_waits(letter)


def waits_for(letter: Letterhead, scope: Scope, day: int) -> Iterator[str]:
    """What an order that begins on a day of a plan waits for: the draw that may hold its step."""
    if scope.name == SERIES.name and day == 0 and any(first_dose_waits(letter)):
        yield "Not before the baseline results are read, for which the first new dose waits."
    for draw in letter.draws_in(scope):
        if draw.read_before == day:
            yield (
                f"Not before the blood test of {letter.words(draw.day)} has been read: it may hold"
                " this step, and says at which values."
            )


def _values(limits: TshLimits, *, swallows_t3: bool) -> _Values:
    """The values of one patient, in words; the same states as for the branches."""
    t3 = ", or free T3 above the laboratory's range" if swallows_t3 else ""
    signs = f"a resting pulse above {decimal(limits.fast_pulse)}, or palpitations"
    alone = f"{signs[:1].upper()}{signs[1:]}"
    ask = "look for missed doses and poor absorption, and have the prescriber see the patient"
    match limits.whose:
        case Whose.CENTRAL:
            high = f"Free T4 above the laboratory's range (TSH is no guide in this patient){t3}"
            low = "" if swallows_t3 else "Free T4 below the laboratory's range"  # with T3, expected
            return _Values(high, alone, low, "the endocrinologist is asked on the same day")
        case Whose.GOAL:
            within = "the range that was set for this patient"
            return _Values(f"TSH below {within}{t3}", alone, f"TSH above {within}", ask)
        case Whose.PREGNANT:
            top = f"{decimal(limits.pregnant_high)} mIU/L, or the laboratory's limit below that"
            call = (
                "the specialist is called on the same day, who alone may raise it; a low TSH alone"
                " changes nothing in pregnancy"
            )
            return _Values("", alone, f"TSH above {top}", call)
        case _:
            low = f"the laboratory's range (below {decimal(limits.low)} mIU/L where it gives none)"
            far = f"TSH below {decimal(limits.suppressed)} mIU/L, {signs}"
            high = f"TSH above {decimal(limits.frankly_high)} mIU/L"
            return _Values(f"TSH below {low}{t3}", far, high, ask)


def _takes_t3(steps: Sequence[Step]) -> bool:
    """Whether a medicine of some steps carries T3."""
    return any(line.preparation.carries_t3 for step in steps for line in step.lines)


def _lines_on(steps: Sequence[Step], day: int) -> dict[str, LineDose]:
    """What is taken on a day of some steps, by medicine; before them, what they begin with."""
    begun = [step for step in steps if step.first_day <= day] or list(steps[:1])
    return {line.preparation.id: line for line in begun[-1].lines}


def _changes(steps: Sequence[Step], day: int) -> tuple[list[LineDose], list[LineDose]]:
    """What rises in the step that begins on a day, and what falls, with the dose before it."""
    before, after = _lines_on(steps, day - 1), _lines_on(steps, day)
    rises = [
        line for key, line in after.items() if key not in before or before[key].amount < line.amount
    ]
    falls = [
        line for key, line in before.items() if key not in after or after[key].amount < line.amount
    ]
    return rises, falls


def _last_rise(steps: Sequence[Step], day: int) -> LineDose | None:
    """The dose before the last rise up to a day; of a medicine that carries T3 where one rose."""
    back: dict[str, LineDose] = {}
    for before, after in pairwise(step for step in steps if step.first_day <= day):
        taken = {line.preparation.id: line for line in before.lines}
        for line in after.lines:
            earlier = taken.get(line.preparation.id)
            if earlier and earlier.amount < line.amount:
                back[line.preparation.id] = earlier
    return min(back.values(), key=lambda line: not line.preparation.carries_t3, default=None)


def _names(lines: Sequence[LineDose]) -> str:
    return " and ".join(dict.fromkeys(line.preparation.generic_name for line in lines))
