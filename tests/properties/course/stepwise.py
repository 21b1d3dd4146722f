"""The plan of day one, and `$next-step` at every visit that is due afterwards.

A visit is due when results are back, on the decision's day, when the last order is about to end,
and when the patient calls. What the service asks is answered as a clinic can: with blood drawn, and
another visit. Where it asks a third time in a row, a prescriber settles the dose by hand, one
increment up or down by the last settled TSH, and records it.
"""

from dataclasses import dataclass, field
from typing import Final

from tests.properties.course.answer import Json, parts_of, said_in
from tests.properties.course.by_hand import settle
from tests.properties.course.chart import Chart, iso
from tests.properties.course.clinic import Clinic, HowItGoes, Result
from tests.properties.course.door import Refused, service
from tests.properties.course.floor import Promise, meanwhile, promise_of
from tests.properties.course.physiology import TimedDoses, daily
from tests.properties.titration.grid import call_of
from tests.properties.titration.reading import Amounts, Answer

BEFORE_THE_LAST_DAYS = 2
"""Of the supply, when the patient comes for another prescription: ours."""
WEEK = 7
DRAWS_WITHIN_DAYS: Final = 7
SETTLES_DAYS: Final = 42
"""After an answer that asks: blood in a week, or six weeks after the last change, and a visit with
its results: ours."""
BY_HAND_AFTER = 3
"""Answers in a row that ask, before a prescriber decides alone: ours."""


@dataclass
class Stepwise(Clinic):
    """A clinic that asks the service every time."""

    chart: Chart = field(init=False)
    answers: list[tuple[int, Json]] = field(default_factory=list)
    """Each answer with its day, the first one of day one."""
    _asked: int = 0
    _beside: Amounts | None = None

    def begin(self) -> bool:
        self.chart = Chart(self.patient)
        try:
            bundle = service().ask("$propose-switch", 0, call_of(self.patient.case))
        except Refused:
            return False
        if Answer(bundle, self.patient.case).ends != "plan":
            return False
        self._accept(0, bundle, None)
        self.did(0, "propose")
        return True

    def morning(self, day: int, how: HowItGoes) -> None:
        self.chart.renew(day)
        decision = self.chart.decision()
        ends = self.chart.supplied_until() - BEFORE_THE_LAST_DAYS
        if decision is not None and day <= decision <= ends + WEEK:
            ends = decision  # the supply goes on to it
        if day in {decision, ends} and day not in self.visits:
            self._visit(day, how)

    def read(self, result: Result, how: HowItGoes) -> None:
        self.chart.add(result)
        self._visit(result.back, how)

    def told(self, day: int, how: HowItGoes) -> None:
        if day not in self.visits:
            self._visit(day, how)

    def doses(self, day: int) -> TimedDoses:
        return self.chart.doses(day)

    def _accept(self, day: int, bundle: Json, beside: Amounts | None) -> None:
        self.answers.append((day, bundle))
        self.chart.file(bundle, day)
        self.promised(promise_of(bundle, day, beside=beside))
        self.flaws += [f"answer of day {day}: {hole}" for hole in self.chart.holes(day)]
        self.planned = {planned for planned in self.planned if planned <= day}
        self.planned |= {planned for planned in self.chart.draws() if planned >= day}

    def _visit(self, day: int, how: HowItGoes) -> None:
        self.chart.ask(day, how)
        call = {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "record", "resource": self.chart.record(day)},
                {"name": "as-of", "valueDate": iso(day)},
            ],
        }
        try:
            bundle = service().ask("$next-step", day, call)
        except Refused as refused:
            self.flaws.append(f"refused on day {day}: {refused}")
            self.did(day, "refused")
            return
        (step,) = parts_of(bundle, "next-step")
        act = str(step["act"])
        if act in {"ask", "stop"}:
            self.chart.file(bundle, day)
            self.chart.order_anew(said_in(bundle, "order-anew", "valueString"))
            beside = self._measured_against(day, step) if "position" in step else self._beside
            self.promised(meanwhile(bundle, day, beside=beside))
            self._answer(day)
            self.answers.append((day, bundle))
        else:
            self._asked = 0
            self._accept(day, bundle, self._measured_against(day, step))
        self.did(
            day, act, " ".join(str(step.get(name, "")) for name in ("branch", "row", "position"))
        )

    def _measured_against(self, day: int, step: Json) -> Amounts | None:
        """From the first answer without a plan on, what was taken on its day."""
        if step["position"] == "no-plan":
            self._beside = daily(self.chart.doses(day))
        return self._beside

    def _answer(self, day: int) -> None:
        """What a clinic can do about a question: draw blood, and see the patient again."""
        self._asked += 1
        if self._asked >= BY_HAND_AFTER:
            self._asked = 0
            last = self.results[-1].found.tsh if self.results else self.patient.case.tsh or 1.0
            settle(self.chart, day, self.outside(last))
            self.promised(Promise(day, {}))  # what a prescriber writes alone nobody forecasts
            self.did(day, "by hand", f"TSH {last}")
        draw = max(day + DRAWS_WITHIN_DAYS, self.chart.changed(day) + SETTLES_DAYS)
        if not any(day < planned <= draw for planned in self.planned):
            self.planned.add(draw)
