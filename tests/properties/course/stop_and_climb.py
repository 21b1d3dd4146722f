"""Stop and climb, as it is often done (common practice, no source).

The old medicine ends on day one. The new one climbs by a quarter grain, or 5 µg of LT3, every two
weeks to what one chart calls equal; LT4, and LT3 beside it, begin at that dose. The first TSH is
read six weeks after it is reached. From then on one increment up or down for a TSH out of range,
and blood again eight weeks later; in range, after three months, six, and then every year.
"""

from dataclasses import dataclass, field

from tests.properties.course.clinic import Clinic, HowItGoes, Result
from tests.properties.course.physiology import TimedDoses
from tests.properties.titration.figures import PER_GRAIN, PER_LT3
from tests.properties.titration.reading import worth

EVERY_DAYS, SETTLES_DAYS, AGAIN_DAYS = 14, 42, 56
IN_RANGE_DAYS = (90, 180, 365)
RESULTS_WAIT_DAYS = 14
INCREMENT = {"lt4": 12.5, "d60": 15.0, "lt3": 5.0}
"""Labels: 12.5-25 µg LT4, a quarter grain, 5 µg LT3; doubled where TSH is above 10 (ours)."""


@dataclass
class StopAndClimb(Clinic):
    """One prescriber with one chart."""

    steps: list[tuple[int, dict[str, float]]] = field(default_factory=list)
    """Daily amounts from a day on, in order."""
    in_range: int = 0
    held: bool = False

    def begin(self) -> bool:
        aim, climbs = self._aim()
        self.steps = _climb(aim, climbs)
        self.planned.add(self.steps[-1][0] + SETTLES_DAYS)
        self.did(0, "stop and climb")
        return True

    def _aim(self) -> tuple[dict[str, float], str]:
        """Daily amounts that the chart calls equal, and the medicine that climbs."""
        case = self.patient.case
        lt4 = worth(case.basis, {one.medicine: one.amount for one in case.taken})
        match case.target:
            case "desiccated-thyroid":
                return {"d60": _orderable("d60", 60 * lt4 / PER_GRAIN[case.basis])}, "d60"
            case "liothyronine":
                return {"lt3": _orderable("lt3", lt4 / PER_LT3[case.basis])}, "lt3"
            case "levothyroxine":
                return {"lt4": _orderable("lt4", lt4)}, ""
        lt3 = lt4 / 20  # ETA 2012: LT3 = x/20, LT4 = x - 3 LT3 (from memory)
        return {"lt4": _orderable("lt4", lt4 - 3 * lt3), "lt3": _orderable("lt3", lt3)}, ""

    def morning(self, day: int, how: HowItGoes) -> None:
        """Where results are overdue by two weeks, blood is drawn again."""
        last = max(self.planned)
        if day == last + RESULTS_WAIT_DAYS and not any(r.day >= last for r in self.results):
            self.planned.add(day + 1)
            self.did(day, "draw again")

    def told(self, day: int, how: HowItGoes) -> None:
        """Palpitations on the way up: one step back, and there it stays for six weeks."""
        if day < self.steps[-1][0] and not self.held:
            self.held = True
            before = [step for step in self.steps if step[0] <= day]
            back = before[-2][1] if len(before) > 1 else before[-1][1]
            self.steps = [*before, (day, back)]
            self.planned = {day + SETTLES_DAYS}
            self.did(day, "step back")

    def read(self, result: Result, how: HowItGoes) -> None:
        outside = self.outside(result.found.tsh)
        if not outside:
            wait = IN_RANGE_DAYS[min(self.in_range, len(IN_RANGE_DAYS) - 1)]
            self.in_range += 1
            self.planned.add(result.back + wait)
            self.did(result.back, "stay")
            return
        self.in_range = 0
        now = self.steps[-1][1]
        far = result.found.tsh > 10 or result.found.tsh < 0.1
        self.steps.append((result.back, moved(now, outside * (2 if far else 1))))
        self.planned.add(result.back + AGAIN_DAYS)
        self.did(result.back, "raise" if outside > 0 else "lower")

    def doses(self, day: int) -> TimedDoses:
        (daily,) = [amounts for at, amounts in self.steps if at <= day][-1:]
        return {
            (medicine, time): amount / len(times)
            for medicine, amount in daily.items()
            for times in [("MORN", "HS") if medicine == "lt3" and amount > 5 else ("MORN",)]
            for time in times
        }


def _orderable(medicine: str, amount: float) -> float:
    grid = INCREMENT[medicine]
    return max(round(amount / grid), 1) * grid


def _climb(aim: dict[str, float], climbs: str) -> list[tuple[int, dict[str, float]]]:
    if not climbs:
        return [(0, aim)]
    by = INCREMENT[climbs]
    rungs = range(1, round(aim[climbs] / by) + 1)
    return [((rung - 1) * EVERY_DAYS, {climbs: rung * by}) for rung in rungs]


def moved(now: dict[str, float], increments: int) -> dict[str, float]:
    """LT4 where there is any, else what there is; never to nothing."""
    medicine = "lt4" if "lt4" in now else next(iter(now))
    moved = now[medicine] + increments * INCREMENT[medicine]
    return {**now, medicine: max(moved, INCREMENT[medicine])}
