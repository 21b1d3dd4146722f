"""The one-call plan alone: what `$propose-switch` says on day one, its branches taken once.

Nobody asks again. On the way the clinic does what the draw's own notes say: nothing that holds T3
rises after a low TSH, a free T3 above range, or palpitations.
"""

from dataclasses import dataclass, field

from tests.properties.course.clinic import Clinic, HowItGoes, Result
from tests.properties.course.door import Json, Refused, service
from tests.properties.course.floor import promise_of
from tests.properties.course.physiology import FREE_T3_RANGE, TimedDoses
from tests.properties.titration.claims import holding, labs
from tests.properties.titration.grid import call_of
from tests.properties.titration.reading import Answer, Branch, Course

WAITS_DAYS = 14
"""For results that are overdue before blood is drawn again: ours."""
DRAWS_AGAIN_DAYS = 42
"""Where no branch is for these results: six weeks, as after any dose."""


@dataclass
class PlanAlone(Clinic):
    """The plan of day one and one of its branches."""

    answer: Answer | None = None
    taken: Branch | None = None
    frozen: dict[str, float] = field(default_factory=dict)
    bundle: Json = field(default_factory=dict)

    def begin(self) -> bool:
        case = self.patient.case
        try:
            self.bundle = service().ask("$propose-switch", 0, call_of(case))
        except Refused:
            return False
        self.answer = Answer(self.bundle, case)
        if self.answer.ends != "plan":
            return False
        self.planned |= set(self.answer.series.drawn())
        self.promised(promise_of(self.bundle, 0, until=self.answer.decision))
        self.did(0, "propose")
        return True

    @property
    def plan(self) -> Answer:
        """The plan, which there is from day one on."""
        assert self.answer
        return self.answer

    def morning(self, day: int, how: HowItGoes) -> None:
        if self.taken or day < self.plan.decision:
            return
        last = max(self.plan.series.drawn())
        since = [result for result in self.results if result.day >= last]
        if since and since[-1].back >= day - WAITS_DAYS:
            self._decide(day, since[-1], how)
        elif not any(day - WAITS_DAYS <= planned for planned in self.planned):
            self.planned.add(day + 1)
            self.did(day, "draw again", "results are overdue")

    def _decide(self, day: int, result: Result, how: HowItGoes) -> None:
        found = result.found
        drawn = labs(
            self.patient.case,
            tsh=found.tsh,
            freeT4=found.free_t4,
            freeT3=found.free_t3,
            tooFast=how.too_fast,
            fastPulse=how.fast_pulse,
            specialistAgrees=True,
        )
        branches = holding(self.plan, drawn)
        if not branches:
            if not any(planned > result.day for planned in self.planned):
                self.planned.add(day + DRAWS_AGAIN_DAYS)
                self.did(day, "hold", "no branch is for these results")
            return
        (self.taken,) = branches
        self._late = day - self.plan.decision
        self.planned |= {drawn + self._late for drawn in self.taken.course.drawn()}
        self.did(day, "branch", self.taken.title)

    def read(self, result: Result, how: HowItGoes) -> None:
        self.visits.add(result.back)
        t3_high = result.found.free_t3 > FREE_T3_RANGE[1]
        on_the_way = not self.taken and result.back < self.plan.decision
        if on_the_way and (t3_high or self.outside(result.found.tsh) < 0):
            self._freeze(result.back)

    def told(self, day: int, how: HowItGoes) -> None:
        if not self.taken and day < self.plan.decision:
            self._freeze(day)

    def _freeze(self, day: int) -> None:
        """What holds T3 rises no more before the decision."""
        if not self.frozen:
            self.frozen = self.plan.series.daily(day)
            self.did(day, "hold")

    def doses(self, day: int) -> TimedDoses:
        if self.taken and self.taken.course.doses:
            return last_of(self.taken.course, day - self._late)
        ordered = last_of(self.plan.series, min(day, self.plan.decision - 1))
        if not self.frozen:
            return ordered
        daily = self.plan.series.daily(min(day, self.plan.decision - 1))
        return {
            (medicine, time): amount * _part(self.frozen, daily, medicine)
            for (medicine, time), amount in ordered.items()
        }


def last_of(course: Course, day: int) -> TimedDoses:
    """The doses of a day; after the last one of which an order tells, those of that one."""
    return course.single(min(max(day, course.begins), course.ends))


def _part(frozen: dict[str, float], daily: dict[str, float], medicine: str) -> float:
    """How much of an ordered dose is taken where what holds T3 is kept from rising."""
    if medicine == "lt4" or daily[medicine] <= frozen.get(medicine, 0.0):
        return 1.0
    return frozen.get(medicine, 0.0) / daily[medicine]
