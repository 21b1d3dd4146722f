"""What is measured of a course is measured: faults that are planted in one are found."""

from dataclasses import dataclass, replace

import pytest
from tests.properties.course.alone import PlanAlone
from tests.properties.course.clinic import Clinic, HowItGoes, Result
from tests.properties.course.floor import Promise, coverage
from tests.properties.course.life import Day, Life, live
from tests.properties.course.measures import Outcome, measure
from tests.properties.course.patients import Patient, patient
from tests.properties.course.physiology import Drawn, TimedDoses, daily
from tests.properties.titration.grid import Taken

FROM_LT4 = next(
    made for made in (patient(5, n) for n in range(99)) if made.case.target == "desiccated-thyroid"
)


@dataclass
class Unchanged(Clinic):
    """A clinic that does nothing, and draws every eight weeks."""

    def begin(self) -> bool:
        self.planned |= set(range(0, 728, 56))
        return True

    def read(self, result: Result, how: HowItGoes) -> None:
        self.visits.add(result.back)

    def doses(self, day: int) -> TimedDoses:
        return self.patient.before


def lived(own: Patient = FROM_LT4, **doses_from: TimedDoses) -> Life:
    """Days without a body: what is ordered from ``d14`` and so on, with a true TSH of 2."""
    changes = {int(name[1:]): doses for name, doses in doses_from.items()}
    clinic, days = Unchanged(own), []
    for day in range(728):
        (now,) = [changes[at] for at in sorted(changes) if at <= day][-1:] or [own.before]
        days.append(Day(now, 2.0, 1.0))
    return Life(own, clinic, days)


def drawn(life: Life, *results: tuple[int, float]) -> Outcome:
    """The outcome with these results, each a day and a TSH."""
    life.clinic.results = [Result(day, day + 2, Drawn(tsh, 14.0, 5.0)) for day, tsh in results]
    return measure(life)


def one(medicine: str, amount: float) -> TimedDoses:
    return {(medicine, "MORN"): amount}


def test_two_settled_results_in_range_in_a_row_are_reached_at_the_second() -> None:
    assert drawn(lived(), (40, 2.0), (96, 2.0)).reached == 96
    assert drawn(lived(), (40, 2.0), (96, 9.0), (152, 2.0)).reached is None
    assert drawn(lived(), (40, 2.0), (96, 9.0), (152, 2.0), (208, 2.0)).reached == 208


@pytest.mark.parametrize(("day", "counts"), [(48, False), (49, True), (50, True)])
def test_a_result_of_a_dose_not_held_for_five_weeks_counts_for_nothing(
    day: int, counts: bool
) -> None:
    life = lived(d0=one("lt4", 75), d14=one("lt4", 100))
    assert drawn(life, (13, 2.0), (day, 2.0), (104, 2.0)).reached == (104 if counts else None)


@pytest.mark.parametrize("tsh", [20.1, 0.04])
def test_a_tsh_far_out_after_which_nothing_happens_is_unanswered(tsh: float) -> None:
    assert drawn(lived(), (100, tsh)).unanswered
    assert not drawn(lived(), (100, 20.0), (200, 0.05)).unanswered


def test_a_tsh_far_out_is_answered_by_a_dose_that_goes_the_right_way() -> None:
    more, less = one("lt4", 300), one("lt4", 12.5)
    assert not drawn(lived(d105=more), (100, 25.0)).unanswered
    assert drawn(lived(d105=less), (100, 25.0)).unanswered
    assert not drawn(lived(d105=less), (100, 0.04)).unanswered
    assert drawn(lived(d105=more), (100, 0.04)).unanswered
    assert drawn(lived(d140=more), (100, 25.0)).unanswered  # five weeks late


def test_a_tsh_far_out_is_answered_where_the_clinic_acts_and_draws_again() -> None:
    life = lived()
    life.clinic.did(103, "ask")
    assert drawn(life, (100, 25.0)).unanswered
    assert not drawn(life, (100, 25.0), (130, 5.0)).unanswered
    life = lived()
    life.clinic.did(103, "continue")
    assert drawn(life, (100, 25.0), (130, 5.0)).unanswered


def test_swallowed_t3_above_75_micrograms_or_rising_by_more_than_5_is_found() -> None:
    before = FROM_LT4.before
    assert not measure(lived(d10=before | one("lt3", 5), d20=before | one("lt3", 10))).t3_cap
    assert measure(lived(d10=before | one("lt3", 5), d16=before | one("lt3", 10))).t3_cap
    assert measure(lived(d10=before | one("lt3", 10))).t3_cap
    slowly = {f"d{7 * step}": one("lt3", 5 * step) for step in range(1, 16)}
    assert not measure(lived(**slowly)).t3_cap
    assert measure(lived(**slowly, d112=one("lt3", 80))).t3_cap


def test_a_patient_who_goes_on_unchanged_goes_on_as_before() -> None:
    life = live(FROM_LT4, Unchanged(FROM_LT4))
    assert life
    found = measure(life)
    assert found.changes == 0
    low, high = FROM_LT4.tsh_range
    assert low / 2 < found.lowest <= found.highest < high * 3
    assert 10 <= found.draws <= 13


def test_a_day_on_which_nothing_is_ordered_is_found() -> None:
    assert measure(lived(d10={})).flaws
    assert not measure(lived()).flaws


@pytest.mark.parametrize(("lowest", "found"), [(0.70, False), (0.75, False), (0.77, True)])
def test_coverage_below_what_was_forecast_is_found(lowest: float, found: bool) -> None:
    own = replace(FROM_LT4, case=replace(FROM_LT4.case, taken=(Taken("lt4", 100),)))
    life = lived(own, d10=one("lt4", 75))
    life.clinic.promised(Promise(0, {"label": lowest}))
    assert bool(measure(life).below_floor) is found
    life.clinic.promised(Promise(20, {"label": 0.7}))  # announced before it is reached
    assert not measure(life).below_floor


def test_what_a_prescriber_writes_alone_is_held_to_no_forecast() -> None:
    own = replace(FROM_LT4, case=replace(FROM_LT4.case, taken=(Taken("lt4", 100),)))
    life = lived(own, d10=one("lt4", 75))
    life.clinic.promised(Promise(0, {"label": 0.9}))
    assert measure(life).below_floor
    life.clinic.promised(Promise(10, {}))
    assert not measure(life).below_floor


def test_coverage_is_what_an_answer_forecasts_of_its_own_series() -> None:
    seen = 0
    for own in (patient(5, number) for number in range(8)):
        clinic = PlanAlone(own)
        if clinic.begin():
            (promise,) = clinic.promises
            taken = [daily(clinic.doses(day)) for day in range(clinic.plan.decision)]
            by_day = coverage(clinic.plan.before, taken)
            for chart, lowest in promise.lowest.items():
                own_lowest = min(1.0, *(covered[chart] for covered in by_day))
                assert own_lowest == pytest.approx(lowest, abs=0.006)
                seen += 1
    assert seen >= 24
