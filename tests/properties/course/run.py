"""The same patients under each strategy."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from tests.properties.course.alone import PlanAlone
from tests.properties.course.clinic import Clinic
from tests.properties.course.life import Life, live
from tests.properties.course.measures import Outcome, measure
from tests.properties.course.patients import patient
from tests.properties.course.stop_and_climb import StopAndClimb

STRATEGIES: Final[dict[str, type[Clinic]]] = {
    "the one-call plan alone": PlanAlone,
    "stop and climb": StopAndClimb,
}


@dataclass(slots=True)
class Seen:
    """Outcomes by strategy, of the patients for whom a plan is proposed at all."""

    outcomes: dict[str, list[Outcome]] = field(default_factory=lambda: {s: [] for s in STRATEGIES})
    not_planned: list[int] = field(default_factory=list)

    def add(self, other: "Seen") -> None:
        """What became of further patients."""
        for strategy, found in other.outcomes.items():
            self.outcomes[strategy] += found
        self.not_planned += other.not_planned


def lives(seed: int, number: int) -> dict[str, Life]:
    """One patient's course under each strategy that begins one."""
    own = patient(seed, number)
    courses = {name: live(own, strategy(own)) for name, strategy in STRATEGIES.items()}
    return {name: life for name, life in courses.items() if life}


def seen(seed: int, numbers: Iterable[int]) -> Seen:
    """What became of these patients; one who is not planned for is in no row of the table."""
    found = Seen()
    for number in numbers:
        courses = lives(seed, number)
        if len(courses) < len(STRATEGIES):
            found.not_planned.append(number)
            continue
        for name, life in courses.items():
            found.outcomes[name].append(measure(life))
    return found
