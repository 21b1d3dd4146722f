"""The same patients under each strategy."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from tests.properties.course.alone import PlanAlone
from tests.properties.course.clinic import Clinic
from tests.properties.course.life import Life, live
from tests.properties.course.measures import Outcome, measure
from tests.properties.course.patients import patient
from tests.properties.course.stepwise import Stepwise
from tests.properties.course.stop_and_climb import StopAndClimb

Strategies = Mapping[str, type[Clinic]]
BASELINES: Final[Strategies] = {
    "the one-call plan alone": PlanAlone,
    "stop and climb": StopAndClimb,
}
STRATEGIES: Final[Strategies] = {
    "the plan, and the next step at every visit": Stepwise,
    **BASELINES,
}


@dataclass(slots=True)
class Seen:
    """Outcomes by strategy, of the patients for whom a plan is proposed at all."""

    outcomes: dict[str, list[Outcome]] = field(default_factory=dict)
    not_planned: list[int] = field(default_factory=list)

    def add(self, other: "Seen") -> None:
        """What became of further patients."""
        for strategy, found in other.outcomes.items():
            self.outcomes.setdefault(strategy, []).extend(found)
        self.not_planned += other.not_planned


def lives(seed: int, number: int, strategies: Strategies = STRATEGIES) -> dict[str, Life]:
    """One patient's course under each strategy that begins one."""
    own = patient(seed, number)
    courses = {name: live(own, strategy(own)) for name, strategy in strategies.items()}
    return {name: life for name, life in courses.items() if life}


def seen(seed: int, numbers: Iterable[int], strategies: Strategies = STRATEGIES) -> Seen:
    """What became of these patients; one who is not planned for is in no row of the table."""
    found = Seen()
    for number in numbers:
        courses = lives(seed, number, strategies)
        if len(courses) < len(strategies):
            found.not_planned.append(number)
            continue
        for name, life in courses.items():
            found.outcomes.setdefault(name, []).append(measure(life))
    return found
