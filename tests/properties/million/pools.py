"""The forecast of an answer computed a second time, by a solver of differential equations.

The pools are followed in µg, from the daily intake that the written orders add up to. T4 and T3
leave with half-lives of 7 days and 1 day; 75 % of swallowed T4 and 95 % of T3 is absorbed; 35 % by
moles of the T4 that leaves becomes T3 (labels; Surks et al., J Clin Invest 1973;52; from memory).
"""

from math import log

import numpy as np
from scipy.integrate import solve_ivp
from tests.properties.million.answers import Answer, amounts_of, change_days, need, values
from tests.properties.million.days import NONE, Spans, series_spans
from tests.properties.million.reference import (
    CHARTS,
    FIXED,
    GRAIN_MG,
    LT3,
    PER_GRAIN,
    PER_LT3,
    T3_UG,
    T4_UG,
    Amounts,
    lt4_equivalent,
)
from tests.properties.million.said import near
from tests.properties.million.truth import Person

OUT_T4, OUT_T3 = log(2) / 7, log(2)
IN_T4, IN_T3 = 0.75, 0.95
BECOMES_T3 = 0.35 * 650.97 / 776.87
Vector = np.ndarray
STEP_DAYS = 0.02


def intake(taken: Amounts) -> Vector:
    """T4, T3 swallowed as such and T3 swallowed in desiccated thyroid, absorbed, µg a day."""
    pure = sum(a * T3_UG[m] for m, a in taken.items() if m in (LT3, FIXED))
    gland = sum(a * T3_UG[m] for m, a in taken.items() if m in GRAIN_MG)
    t4 = sum(a * T4_UG[m] for m, a in taken.items())
    return np.array([IN_T4 * t4, 0.0, IN_T3 * pure, IN_T3 * gland])


FLOW = np.array(
    [
        [-OUT_T4, 0, 0, 0],
        [BECOMES_T3 * OUT_T4, -OUT_T3, 0, 0],
        [0, 0, -OUT_T3, 0],
        [0, 0, 0, -OUT_T3],
    ]
)
"""T4, T3 made from it, T3 swallowed as such, T3 swallowed in desiccated thyroid."""


def course(taken: Amounts, spans: Spans, until: int) -> tuple[Vector, Vector]:
    """Days and pools, from the steady state of what is taken before."""
    pools = np.linalg.solve(FLOW, -intake(taken))
    days, followed = [np.array([0.0])], [pools[:, None]]
    stops = [day for day in change_days(spans) if 0 < day < until] + [until]
    start = 0
    for stop in stops:
        given = intake(amounts_of(spans, start))
        points = np.linspace(start, stop, max(2, round((stop - start) / STEP_DAYS) + 1))
        solved = solve_ivp(
            lambda _, state, given=given: FLOW @ state + given,
            (start, stop),
            followed[-1][:, -1],
            method="DOP853",
            t_eval=points,
            rtol=1e-10,
            atol=1e-10,
        )
        days.append(solved.t)
        followed.append(solved.y)
        start = stop
    return np.concatenate(days), np.concatenate(followed, axis=1)


def coverage(chart: str, pools: Vector, taken: Amounts) -> Vector:
    """The daily dose that each pool stands for, weighed by a chart, over what was taken before."""
    k, v = PER_LT3[chart], (PER_GRAIN[chart] - 38) / 9
    t4 = pools[0] * OUT_T4 / IN_T4
    pure, gland = pools[2] * OUT_T3 / IN_T3, pools[3] * OUT_T3 / IN_T3
    return (t4 + k * pure + v * gland) / lt4_equivalent(chart, taken)


def check_forecast(person: Person, answer: Answer) -> None:
    """The chosen forecast's extremes, as far as they lie before the decision."""
    working = answer.working
    decision = answer.day(dict(values(working["checkpoint"][0]))["decision-on"])
    spans = series_spans(person, answer.series, decision)
    days, pools = course(person.amounts, spans, decision)
    (chosen,) = [f for f in working["forecast"] if dict(values(f))["chosen"]]
    rows = [dict(values(v)) for name, v in values(chosen) if name == "coverage"]
    need({row["basis"] for row in rows} == set(CHARTS), "a chart without coverage")
    for row in rows:
        own = coverage(row["basis"], pools, person.amounts)
        _check_extremes(row, days, own, answer, decision, row["basis"])
    whole = pools[1:].sum(axis=0)
    _check_extremes(
        dict(values(dict(values(chosen))["t3-exposure"])),
        days,
        whole / whole[0],
        answer,
        decision,
        "T3 exposure",
    )


def _check_extremes(
    row: dict[str, object], days: Vector, own: Vector, answer: Answer, decision: int, what: str
) -> None:
    """A stated extreme is ours on its day, and nothing of ours lies beyond it."""
    near(own[0], 1.0, NONE, f"{what}: not 1 on day one")
    for name, sign in (("lowest", 1), ("highest", -1)):
        said, on = row[name], answer.day(row[f"{name}-on"])
        beyond = (sign * own).min()
        need(sign * said <= beyond + 0.0006, f"{what}: it goes beyond the {name} that is said")
        if on < decision - 1:
            within = sign * own[(days >= on) & (days <= on + 1)]
            near(said, sign * within.min(), 0.0006, f"{what}: another {name}")
