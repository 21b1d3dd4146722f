"""What an answer says of charts and of the weeks to come, worked out again."""

from tests.properties.million.answers import (
    Answer,
    need,
    values,
)
from tests.properties.million.reference import (
    CHARTS,
    EXACT,
    GRAIN_MG,
    LT3,
    LT4,
    grains,
    lt4_equivalent,
    target_on,
)
from tests.properties.million.truth import Person

NONE = 0.0


def check_forecasts(answer: Answer, forecasts: list[dict[str, object]]) -> None:
    """An overlap never runs lower than a stop, and what runs too low or high is held."""
    lowest: dict[str, dict[str, float]] = {}
    for forecast in forecasts:
        told = list(values(forecast))
        mode = next(value for name, value in told if name == "prior-therapy")
        covered = [dict(values(value)) for name, value in told if name == "coverage"]
        lowest[mode] = {row["basis"]: row["lowest"] for row in covered}
        if dict(told)["chosen"]:
            exposure = dict(values(dict(told)["t3-exposure"]))["highest"]
            _guard(answer, "coverage-low", 0.7 - min(lowest[mode].values()))
            _guard(answer, "t3-exposure-high", exposure - 1.5)
    for chart, value in lowest["overlap"].items():
        need(value >= lowest["stop"][chart], "an overlap runs lower than a stop")


def _guard(answer: Answer, code: str, beyond: float) -> None:
    """What is beyond a limit is said, what is not is not; the digit that is shown may hide it."""
    if abs(beyond) > 0.001:
        need((code in answer.issues) == (beyond > 0), f"{code} is wrongly said or unsaid")


def check_charts(person: Person, rows: list[dict[str, object]]) -> None:
    """Each chart's worth and target, to the digits that are shown."""
    said = {row["id"]: row for row in map(dict, map(values, rows))}
    for chart in CHARTS:
        row, worth = said[chart], lt4_equivalent(chart, person.amounts)
        aim = target_on(chart, person.wish, worth)
        own_grains = grains({m: a for m, a in aim.items() if m in GRAIN_MG})
        near(row["lt4-equivalent"]["value"], worth, 0.05, f"{chart}: another worth")
        near(_shown(row, "lt4"), aim.get(LT4, NONE), 0.05, f"{chart}: another dose of LT4")
        near(_shown(row, "lt3"), aim.get(LT3, NONE), 0.05, f"{chart}: another dose of LT3")
        near(row.get("grains", NONE), own_grains, 0.0005, f"{chart}: other grains")


def _shown(row: dict[str, object], name: str) -> float:
    return float(row[name]["value"]) if name in row else NONE


def near(shown: float, own: float, half_a_digit: float, what: str) -> None:
    """Refuse a number that is not ours, rounded."""
    need(abs(shown - own) <= half_a_digit + EXACT, what)
