"""While nobody answers what a visit asks, coverage stays above the floor that the answer told.

The orders go on as any clinic's would: what is filed to fall falls, what the answer says is to be
ordered anew goes on with its dose, and nothing else is decided.
"""

from hypothesis import assume, given
from hypothesis import strategies as st
from tests.budget import examples
from tests.properties.course.answer import said_in
from tests.properties.course.clinic import HowItGoes, Result
from tests.properties.course.floor import below
from tests.properties.course.patients import Patient, patient
from tests.properties.course.physiology import Drawn, daily
from tests.properties.course.stepwise import Stepwise
from tests.properties.titration.reading import Amounts

SEED = 23
UNANSWERED_DAYS = 200
"""More than the longest supply, and until the pools are steady."""
BETWEEN_VISITS = 13
NAMED_FOR_DAYS = 14
"""For how long an order that has ended is named."""
MOVES_TO = {
    "levothyroxine": {"lt4"},
    "liothyronine": {"lt3"},
    "desiccated-thyroid": {"d60"},
    "levothyroxine-liothyronine": {"lt4", "lt3"},
}
PALPITATIONS = HowItGoes(palpitations=True, pulse=110)
FAR_ABOVE = Drawn(tsh=14.0, free_t4=14.0, free_t3=4.5)
patients = st.integers(0, 200).map(lambda number: patient(SEED, number))


def begun(own: Patient) -> Stepwise:
    """A clinic that has taken up a plan."""
    clinic = Stepwise(own)
    assume(clinic.begin())
    return clinic


def lived(clinic: Stepwise, days: range) -> list[Amounts]:
    """What is ordered day by day, where nobody decides anything."""
    taken = []
    for day in days:
        clinic.chart.renew(day)
        taken.append(daily(clinic.doses(day)))
    return taken


def unsaid(clinic: Stepwise, taken: list[Amounts]) -> list[str]:
    """Where coverage falls below what the last answer told."""
    before = {one.medicine: one.amount for one in clinic.patient.case.taken}
    return list(below(before, taken, clinic.promises[-1:]))


@examples(24)
@given(patients, st.integers(1, 90))
def test_where_palpitations_go_on_the_doses_of_the_time_until_an_answer_keep_their_floor(
    own: Patient, day: int
) -> None:
    clinic = begun(own)
    taken = lived(clinic, range(day))
    clinic.told(day, PALPITATIONS)
    again = day + BETWEEN_VISITS
    assume(again <= clinic.chart.supplied_until())
    taken += lived(clinic, range(day, again))
    clinic.told(again, PALPITATIONS)
    assume(clinic.deeds[-1].act == "ask")
    assert clinic.promises[-1].day == again
    taken += lived(clinic, range(again, again + UNANSWERED_DAYS))
    assert unsaid(clinic, taken) == []
    assert all(any(amounts.values()) for amounts in taken)


@examples(40)
@given(patients, st.integers(2, 40))
def test_while_a_question_is_open_no_filed_task_ends_what_is_taken_beside_what_is_to_rise(
    own: Patient, day: int
) -> None:
    """Palpitations and a high TSH contradict each other; what was taken before has a task."""
    clinic = begun(own)
    falls = [at for at in clinic.chart.ends_from_before() if at > day]
    assume(falls)
    taken = lived(clinic, range(day))
    clinic.chart.add(Result(day - 1, day, FAR_ABOVE))
    clinic.told(day, PALPITATIONS)
    assume(clinic.deeds[-1].act == "ask")
    taken += lived(clinic, range(day, day + UNANSWERED_DAYS))
    assert unsaid(clinic, taken) == []
    assert all(any(amounts.values()) for amounts in taken)


@examples(16)
@given(patients, st.integers(1, NAMED_FOR_DAYS))
def test_where_the_order_of_the_old_medicine_has_ended_it_is_named_and_the_floor_without_it_told(
    own: Patient, later: int
) -> None:
    clinic = begun(own)
    last = clinic.chart.supplied_until()
    old = set(daily(clinic.doses(last))) - MOVES_TO[own.case.target]
    new = set(daily(clinic.doses(last))) - old
    assume(old and new)
    followed = [clinic.chart.orders_of(each, last) for each in new]
    assume(all(len(orders) == 1 for orders in followed))  # two tablets need their group
    clinic.chart.order_anew(set().union(*followed))
    taken = lived(clinic, range(last + later))
    clinic.told(last + later, HowItGoes())
    assume(clinic.deeds[-1].act == "ask")
    (_, answer) = clinic.answers[-1]
    named = set(said_in(answer, "order-anew", "valueString"))
    assert all(named & clinic.chart.orders_of(each, last) for each in old)
    taken += lived(clinic, range(len(taken), len(taken) + UNANSWERED_DAYS))
    assert unsaid(clinic, taken) == []
