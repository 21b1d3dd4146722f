"""Which medicines are taken on the day of reading, which are drafts, past or asked about."""

from datetime import date
from typing import Any

import pytest
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    DAILY,
    LT3,
    LT4,
    LT4_100,
    ONE,
    PREPARATIONS,
    SNOMED,
    SUBJECT,
    Json,
    asked,
    bundle,
    dosage,
    doses,
    read,
    read_bundle,
    request,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.posing import posed_in
from crossgrain.reading.reader import doses_by_date
from crossgrain.screening.course import Undecided

DOSE = dosage(ucum(100, "ug"))
LOOK: dict[str, Any] = {
    "version": FhirVersion.R4, "as_of": AS_OF, "codes": CODES, "preparations": PREPARATIONS,
}  # fmt: skip


def taken(**more: object) -> Json:
    return statement(LT4, DOSE, **more)


def ordered(*dosages: Json, **more: object) -> Json:
    return request(LT4, *(dosages or (DOSE,)), **more)


def bounded(start: str | None, end: str | None, dose: int = 100, **more: object) -> Json:
    period = {k: v for k, v in (("start", start), ("end", end)) if v}
    timing = {"repeat": {**DAILY["repeat"], "boundsPeriod": period}}
    return dosage(ucum(dose, "ug"), timing, **more)


TAKEN: dict[str, Json] = {
    "a statement that is active": taken(),
    "a statement since a day": taken(effectivePeriod=None, effectiveDateTime="2025-02-01"),
    "a statement until today": taken(effectivePeriod={"start": "2025-01-01", "end": "2026-03-20"}),
    "a statement until some day of this month": taken(
        effectivePeriod={"start": "2025", "end": "2026-03"}
    ),
    "an order": ordered(),
    "a filler order": ordered(intent="filler-order"),
    "a plan that the patient reported": ordered(intent="plan", reportedBoolean=True),
    "an order whose dose began": ordered(bounded("2026-03-01", None)),
    "an order whose dose ends today": ordered(bounded("2026-03-01", "2026-03-20")),
}


@pytest.mark.parametrize("resource", TAKEN.values(), ids=TAKEN.keys())
def test_what_holds_today_is_taken(resource: Json) -> None:
    record = read(resource)
    assert doses(record) == [("levothyroxine", ["100"])]
    assert record.questions == ()


NOT_TAKEN: dict[str, tuple[Json, bool]] = {
    "entered in error": (taken(status="entered-in-error"), False),
    "intended": (taken(status="intended"), False),
    "not-taken": (taken(status="not-taken"), False),
    "completed": (taken(status="completed"), True),
    "stopped": (taken(status="stopped"), True),
    "on hold": (taken(status="on-hold"), True),
    "ended yesterday": (
        taken(effectivePeriod={"start": "2025-01-01", "end": "2026-03-19"}),
        True,
    ),
    "to begin tomorrow": (taken(effectivePeriod={"start": "2026-03-21"}), False),
    "a cancelled order": (ordered(status="cancelled"), False),
    "an order on hold": (ordered(status="on-hold"), True),
    "a proposal": (ordered(intent="proposal"), False),
    "a plan of the prescriber": (ordered(intent="plan"), False),
    "an option": (ordered(intent="option"), False),
    "an order not to take it": (ordered(doNotPerform=True), False),
    "an order whose dose ended": (ordered(bounded("2026-01-05", "2026-03-19")), True),
    "an order whose dose is to begin": (ordered(bounded("2026-03-21", None)), False),
    "an order written tomorrow": (ordered(authoredOn="2026-03-21"), False),
}


@pytest.mark.parametrize(("resource", "past"), NOT_TAKEN.values(), ids=NOT_TAKEN.keys())
def test_what_does_not_hold_today_is_said_and_not_taken(resource: Json, past: bool) -> None:
    record = read(resource)
    assert record.current == ()
    assert record.questions == ()
    assert [u.expression for u in record.unread] == [ONE]
    assert [entry.path for entry in record.past] == ([ONE] if past else [])


def test_a_stopped_hormone_is_kept_with_its_last_day_and_dose() -> None:
    record = read(
        taken(status="completed", effectivePeriod={"start": "2024-01-01", "end": "2026-03-10"})
    )
    assert record.facts.stopped is not None
    (stopped,) = record.facts.stopped
    assert (stopped.key, stopped.day) == ("levothyroxine", -10)
    assert record.past[0].lines[0].daily == 100


def test_a_hormone_that_was_taken_up_again_is_not_stopped() -> None:
    record = read(
        taken(id="old", status="stopped", effectivePeriod={"end": "2026-02-01"}), ordered()
    )
    assert record.facts.stopped == ()


def test_an_unreadable_dose_of_the_past_is_not_asked_about() -> None:
    record = read(statement(LT4, {"text": "as directed"}, status="stopped"))
    assert record.questions == ()
    assert record.past[0].lines == ()


@pytest.mark.parametrize("resource", [taken(status="unknown"), ordered(status="unknown")])
def test_an_unknown_status_is_asked_about(resource: Json) -> None:
    assert asked(read(resource)) == [f"{ONE}.status"]


def test_a_draft_is_an_order_to_judge_and_not_a_medicine_taken() -> None:
    record = read(ordered(status="draft"))
    assert record.current == ()
    assert [draft.lines[0].daily for draft in record.drafts] == [100]
    assert record.drafts[0].draft
    assert not record.drafts[0].ours


def test_a_group_identifier_of_ours_makes_no_draft_a_step_of_ours() -> None:
    record = read(
        ordered(
            status="draft",
            groupIdentifier={"system": "http://crossgrain.example/fhir/sid/plan", "value": "1"},
        )
    )
    assert not record.drafts[0].ours


STALE: dict[str, Json] = {
    "an order of two years ago": ordered(authoredOn="2024-03-01"),
    "an order without a date": ordered(authoredOn=None),
    "a statement of two years ago": taken(dateAsserted="2024-03-01"),
    "a statement without any date": taken(effectivePeriod=None),
    "a statement of years ago by its one day": taken(
        effectivePeriod=None, effectiveDateTime="2019-03-01"
    ),
    "an order past its validity": ordered(
        dispenseRequest={"validityPeriod": {"start": "2026-01-05", "end": "2026-03-19"}}
    ),
    "an order whose validity is to begin": ordered(
        dispenseRequest={"validityPeriod": {"start": "2026-03-21"}}
    ),
}


@pytest.mark.parametrize("resource", STALE.values(), ids=STALE.keys())
def test_a_stale_or_undated_medicine_is_read_and_to_be_confirmed(resource: Json) -> None:
    record = read(resource)
    assert doses(record) == [("levothyroxine", ["100"])]
    assert [c.expression for c in record.confirm] == [ONE]


def test_a_statement_that_began_years_ago_and_has_no_end_is_taken() -> None:
    """FHIR R4, ``effective``: the end is left out where the medicine is still taken."""
    assert read(taken(effectivePeriod={"start": "2019-03-01"})).confirm == ()


@pytest.mark.parametrize(("day", "stale"), [("2025-02-13", False), ("2025-02-12", True)])
def test_a_statement_of_one_day_is_stale_after_four_hundred_days(day: str, stale: bool) -> None:
    record = read(taken(effectivePeriod=None, effectiveDateTime=day))
    assert bool(record.confirm) is stale


@pytest.mark.parametrize(
    ("end", "supply", "confirm"),
    [
        ("2026-03-20", None, False),
        ("2026-03-19", None, True),
        ("2026-02-18", {"value": 30, "unit": "d", "code": "d"}, False),
        ("2026-02-17", {"value": 30, "unit": "d", "code": "d"}, True),
    ],
)
def test_a_prescription_is_questioned_once_its_validity_and_one_supply_are_over(
    end: str, supply: Json | None, confirm: bool
) -> None:
    """``validityPeriod`` is when it may be dispensed: the tablets of the last day last longer."""
    dispense = {"validityPeriod": {"end": end}, "expectedSupplyDuration": supply}
    record = read(ordered(dispenseRequest=dispense))
    assert bool(record.confirm) is confirm
    assert doses(record) == [("levothyroxine", ["100"])]


@pytest.mark.parametrize(("written", "stale"), [("2025-02-13", False), ("2025-02-12", True)])
def test_an_order_is_stale_after_four_hundred_days(written: str, stale: bool) -> None:
    assert bool(read(ordered(authoredOn=written)).confirm) is stale


@pytest.mark.parametrize(
    ("written", "known"), [("2026-03-19", True), ("2026-03-20", True), ("2026-03-21", False)]
)
def test_an_order_stands_from_the_day_on_which_it_was_written(written: str, known: bool) -> None:
    assert bool(read(ordered(authoredOn=written)).current) is known


def test_of_several_dated_dosages_the_one_that_holds_today_counts() -> None:
    record = read(
        ordered(
            bounded("2026-01-05", "2026-02-28", 50, sequence=1),
            bounded("2026-03-01", "2026-04-15", 75, sequence=2),
            bounded("2026-04-16", None, 100, sequence=3),
        )
    )
    assert doses(record) == [("levothyroxine", ["75"])]


def test_sequence_numbers_on_days_that_do_not_meet_are_side_by_side_and_to_confirm() -> None:
    def on(*days: str) -> Json:
        return {"repeat": {"dayOfWeek": list(days)}}

    record = read(
        statement(
            LT4,
            dosage(ucum(100, "ug"), on("mon", "tue", "wed", "thu", "fri"), sequence=1),
            dosage(ucum(50, "ug"), on("sat", "sun"), sequence=2),
        )
    )
    assert record.regimen.t4_ug * 7 == 600
    assert [c.expression for c in record.confirm] == [f"{ONE}.dosage"]


def test_two_active_levothyroxines_that_are_not_tied_are_asked_about() -> None:
    record = read(taken(), ordered(dosage(ucum(125, "ug"))))
    assert asked(record) == ["Bundle.entry[2].resource"]


def test_orders_of_one_group_are_taken_together() -> None:
    group = {"system": "https://ehr.example/groups", "value": "7"}
    record = read(
        request(LT4_100, dosage(ucum(1, "{tbl}")), groupIdentifier=group),
        request(LT4, dosage(ucum(25, "ug")), groupIdentifier=group, id="r2"),
    )
    assert record.questions == ()
    assert record.regimen.t4_ug == 125


def test_two_hormones_are_two_medicines() -> None:
    record = read(taken(), statement(LT3, dosage(ucum(5, "ug")), id="s2"))
    assert record.questions == ()
    assert (record.regimen.t4_ug, record.regimen.t3_ug) == (100, 5)


@pytest.mark.parametrize(
    ("amounts", "expressions"),
    [
        ((100, 100), ["Bundle.entry[2].resource"]),
        ((100, 25, 100), ["Bundle.entry[3].resource"]),
        ((300, 200), ["Bundle.entry[1].resource"]),
        ((300, 100), []),
    ],
)
def test_orders_of_one_group_that_say_the_same_or_come_to_too_much_are_asked_about(
    amounts: tuple[int, ...], expressions: list[str]
) -> None:
    group = {"system": "https://ehr.example/groups", "value": "g1"}
    orders = [
        request(LT4, dosage(ucum(amount, "ug")), groupIdentifier=group, id=f"r{place}")
        for place, amount in enumerate(amounts)
    ]
    assert asked(read(*orders)) == expressions


@pytest.mark.parametrize("tie", ["derivedFrom", "basedOn"])
def test_a_statement_made_from_an_order_is_counted_once(tie: str) -> None:
    record = read(ordered(), taken(**{tie: [{"reference": "MedicationRequest/r1"}]}))
    assert [entry.resource_type for entry in record.current] == ["MedicationStatement"]
    assert record.questions == ()
    assert [u.expression for u in record.unread] == ["Bundle.entry[1].resource"]


def test_a_statement_made_from_an_order_of_another_dose_is_asked_about() -> None:
    record = read(
        ordered(dosage(ucum(75, "ug"))),
        taken(derivedFrom=[{"reference": "MedicationRequest/r1"}]),
    )
    assert "Bundle.entry[2].resource" in asked(record)


def test_an_order_that_a_newer_one_replaces_is_not_counted() -> None:
    record = read(
        ordered(dosage(ucum(75, "ug"))),
        ordered(id="r2", priorPrescription={"reference": "MedicationRequest/r1"}),
    )
    assert doses(record) == [("levothyroxine", ["100"])]
    assert record.questions == ()


def test_what_does_not_count_is_neither_asked_nor_to_be_confirmed() -> None:
    """Thirty years of renewals would else ask thirty times whether each is still taken."""
    prior = {"priorPrescription": {"reference": "MedicationRequest/r0"}}
    for old in (
        ordered(id="r0", authoredOn="2020-01-05"),
        ordered(dosage(text="as directed"), id="r0", authoredOn="2025-12-05"),
    ):
        record = read(old, ordered(**prior))
        assert (record.questions, record.confirm) == ((), ())
        assert doses(record) == [("levothyroxine", ["100"])]
    restated = read(
        ordered(authoredOn="2020-01-05"),
        taken(derivedFrom=FROM_R1, dateAsserted="2026-03-01"),
    )
    assert (restated.questions, restated.confirm) == ((), ())


@pytest.mark.parametrize("root", ["Bundle", "Parameters.parameter[0].resource", "prefetch.orders"])
def test_wherever_the_record_stands_nothing_is_asked_of_what_does_not_count(root: str) -> None:
    prior = {"priorPrescription": {"reference": "MedicationRequest/r0"}}
    old = ordered(id="r0", authoredOn="2020-01-05")
    record = read_bundle(bundle(old, ordered(**prior)), root=root)
    assert (record.questions, record.confirm) == ((), ())
    stale = ordered(authoredOn="2024-12-05", **prior)
    record = read_bundle(bundle(old, stale), root=root)
    assert [c.expression for c in record.confirm] == [f"{root}.entry[2].resource"]


def test_what_is_asked_of_the_order_that_counts_is_still_asked() -> None:
    prior = {"priorPrescription": {"reference": "MedicationRequest/r0"}}
    newer = ordered(dosage(text="as directed"), **prior)
    record = read(ordered(id="r0", authoredOn="2025-12-05"), newer)
    assert asked(record) == ["Bundle.entry[2].resource.dosageInstruction[0].text"]
    stale = ordered(authoredOn="2024-12-05", **prior)
    record = read(ordered(id="r0", authoredOn="2020-01-05"), stale)
    assert [c.expression for c in record.confirm] == ["Bundle.entry[2].resource"]


def test_the_regimen_changed_when_its_latest_part_began() -> None:
    record = read(
        taken(effectivePeriod={"start": "2025-01-01"}),
        statement(LT3, dosage(ucum(5, "ug")), id="s2", effectivePeriod={"start": "2026-03-01"}),
    )
    assert record.facts.regimen_changed_days_ago == 19


def test_a_renewal_at_the_same_dose_is_no_change() -> None:
    record = read(
        ordered(id="old", status="completed", authoredOn="2025-01-05"),
        ordered(authoredOn="2026-03-01"),
    )
    assert record.facts.regimen_changed_days_ago == (date(2026, 3, 20) - date(2025, 1, 5)).days


def test_a_renewal_at_another_dose_is_a_change() -> None:
    record = read(
        ordered(dosage(ucum(75, "ug")), id="old", status="completed", authoredOn="2025-01-05"),
        ordered(authoredOn="2026-03-01"),
    )
    assert record.facts.regimen_changed_days_ago == 19


def test_an_unknown_start_leaves_the_change_unknown() -> None:
    record = read(taken(effectivePeriod=None, dateAsserted="2026-03-01"))
    assert record.facts.regimen_changed_days_ago is None


def test_what_an_order_refers_to_is_carried_over_as_written() -> None:
    record = read(
        ordered(encounter={"reference": "Encounter/e1"}, requester={"reference": "Practitioner/d1"})
    )
    entry = record.current[0]
    assert (entry.reference, entry.encounter, entry.requester) == (
        "MedicationRequest/r1",
        "Encounter/e1",
        "Practitioner/d1",
    )
    assert entry.first_day == -74
    assert SUBJECT["reference"] == record.patient_reference


HYPO = {"system": SNOMED, "code": "40930008", "display": "Hypothyroidism"}


@pytest.mark.parametrize(
    ("reasons", "kept"),
    [
        ([], []),
        ([{"text": "Hypothyroidism"}], [((), "Hypothyroidism")]),
        ([{"coding": [HYPO]}], [(("40930008",), None)]),
        # what it is coded as besides says something else
        ([{"coding": [HYPO, {"system": SNOMED, "code": "1"}]}], [(("40930008",), None)]),
        ([{"text": "Hypothyroidism" + ", since her youth" * 16}], []),  # above 255 characters
        ([{"text": "Thyroid cancer"}], []),
        ([{"text": "no hypothyroidism"}], []),
        ([{"coding": [HYPO]}, {"coding": [HYPO]}], [(("40930008",), None)]),
    ],
)
def test_of_the_reasons_of_a_medicine_hypothyroidism_is_kept_as_written(
    reasons: list[Json], kept: list[tuple[tuple[str, ...], str | None]]
) -> None:
    record = read(ordered(**({"reasonCode": reasons} if reasons else {})))
    found = record.current[0].reasons
    assert [(tuple(c.code for c in reason.coding), reason.text) for reason in found] == kept


@pytest.mark.parametrize(
    "limit",
    [{"count": 30}, {"boundsDuration": {"value": 30, "unit": "d"}}, {"boundsRange": {}}],
)
def test_a_dose_for_a_limited_time_is_to_be_confirmed(limit: Json) -> None:
    record = read(ordered(dosage(ucum(100, "ug"), {"repeat": {**DAILY["repeat"], **limit}})))
    assert doses(record) == [("levothyroxine", ["100"])]
    assert [c.expression for c in record.confirm] == [f"{ONE}.dosageInstruction[0].timing.repeat"]


DENIED: dict[str, tuple[Json, bool]] = {
    "not taken, said since": (taken(status="not-taken", dateAsserted="2026-03-18"), True),
    "not taken, said before": (
        taken(status="not-taken", dateAsserted="2026-01-04", effectivePeriod=None),
        False,
    ),
    "not taken, said on the day of the order": (
        taken(status="not-taken", dateAsserted="2026-01-05", effectivePeriod=None),
        False,
    ),
    "not taken, without a date": (taken(status="not-taken", effectivePeriod=None), True),
    "stopped days ago": (taken(status="stopped", effectivePeriod={"end": "2026-03-17"}), True),
    "stopped before the order": (
        taken(status="stopped", effectivePeriod={"end": "2026-01-04"}),
        False,
    ),
    "on hold since": (taken(status="on-hold", dateAsserted="2026-03-18"), True),
    "the same dose ended since": (
        taken(status="completed", effectivePeriod={"end": "2026-03-10"}),
        True,
    ),
    "another dose ended since": (
        statement(
            LT4, dosage(ucum(75, "ug")), status="completed", effectivePeriod={"end": "2026-03-10"}
        ),
        False,
    ),
    "another hormone not taken": (
        statement(LT3, dosage(ucum(5, "ug")), status="not-taken", dateAsserted="2026-03-18"),
        False,
    ),
    "stopped on a day that is not said, after a beginning that is": (
        taken(status="stopped", effectivePeriod={"start": "2026-01-05"}),
        True,
    ),
    "not taken since the day of the order": (
        taken(status="not-taken", effectivePeriod={"start": "2026-01-05"}),
        True,
    ),
    "not taken until the day before the order": (
        taken(status="not-taken", effectivePeriod={"start": "2025-01-05", "end": "2026-01-04"}),
        False,
    ),
    "not taken as was said on a day before the order": (
        taken(
            status="not-taken", effectivePeriod={"start": "2025-01-05"}, dateAsserted="2025-02-01"
        ),
        False,
    ),
    "another dose not taken, without a date": (
        statement(LT4, dosage(ucum(75, "ug")), status="not-taken", effectivePeriod=None),
        True,
    ),
    "an order not to take it": (
        ordered(id="r2", doNotPerform=True, authoredOn="2026-03-18"),
        True,
    ),
    "an order not to take it that was withdrawn": (
        ordered(id="r2", doNotPerform=True, authoredOn="2026-03-18", status="cancelled"),
        False,
    ),
}


@pytest.mark.parametrize(("denial", "open_"), DENIED.values(), ids=DENIED.keys())
def test_an_order_of_what_is_said_since_not_to_be_taken_is_asked_about(
    denial: Json, open_: bool
) -> None:
    record = read(ordered(), denial)
    assert asked(record) == ([ONE] if open_ else [])


def test_an_order_of_steps_to_come_is_no_later_word_than_the_day_on_which_it_was_written() -> None:
    steps = (bounded("2026-01-05", "2026-05-01", 100), bounded("2026-05-02", None, 125))
    denied = taken(status="not-taken", dateAsserted="2026-03-18", effectivePeriod=None)
    assert asked(read(ordered(*steps), denied)) == [ONE]


GIVEN_UP = ["stopped", "cancelled", "on-hold"]
FROM_R1 = [{"reference": "MedicationRequest/r1"}]


@pytest.mark.parametrize("tie", ["derivedFrom", "basedOn"])
@pytest.mark.parametrize("status", [*GIVEN_UP, "entered-in-error"])
def test_a_statement_made_from_an_order_that_was_given_up_is_asked_about(
    status: str, tie: str
) -> None:
    """The order that it rests on is gone, and it still says that the medicine is taken."""
    other_dose = ordered(dosage(ucum(75, "ug")), status=status)
    for order in (ordered(status=status), other_dose):
        record = read(taken(dateAsserted="2026-03-18", **{tie: FROM_R1}), order)
        assert asked(record) == [ONE]


@pytest.mark.parametrize("status", GIVEN_UP)
def test_a_statement_beside_an_order_of_its_dose_that_was_given_up_is_asked_about(
    status: str,
) -> None:
    assert asked(read(taken(), ordered(status=status))) == [ONE]
    unread = ordered(dosage(text="as directed"), status=status)
    assert asked(read(taken(), unread)) == [ONE]


BESIDE: dict[str, tuple[Json, ...]] = {
    "an order of another dose that was stopped": (
        taken(),
        ordered(dosage(ucum(75, "ug")), status="stopped"),
    ),
    "an order of another hormone that was stopped": (
        taken(),
        request(LT3, dosage(ucum(5, "ug")), status="stopped"),
    ),
    "an order that was completed": (taken(derivedFrom=FROM_R1), ordered(status="completed")),
    "an order that was a slip, and that it does not name": (
        taken(),
        ordered(status="entered-in-error"),
    ),
    "a proposal that was withdrawn": (
        taken(derivedFrom=FROM_R1),
        ordered(status="cancelled", intent="proposal"),
    ),
    "the order that it was made from, and the one before": (
        taken(derivedFrom=FROM_R1),
        ordered(),
        ordered(id="r0", status="stopped", authoredOn="2025-12-05"),
    ),
    "an order that ended before it was said to be taken": (
        taken(derivedFrom=FROM_R1, dateAsserted="2026-03-18"),
        ordered(bounded("2026-01-05", "2026-03-17"), status="stopped"),
    ),
    "an order that lies further back than one lasts": (
        taken(dateAsserted="2026-03-18"),
        ordered(status="stopped", authoredOn="2025-02-10"),
    ),
}


@pytest.mark.parametrize("resources", BESIDE.values(), ids=BESIDE.keys())
def test_a_statement_is_not_asked_about_for(resources: tuple[Json, ...]) -> None:
    record = read(*resources)
    assert record.questions == ()
    assert doses(record) == [("levothyroxine", ["100"])]


def test_an_order_that_was_stopped_speaks_against_a_statement_for_as_long_as_one_lasts() -> None:
    """400 days before the statement, and no longer."""
    said = taken(dateAsserted="2026-03-18")
    assert asked(read(said, ordered(status="stopped", authoredOn="2025-02-11"))) == [ONE]
    assert asked(read(said, ordered(status="stopped", authoredOn="2025-02-10"))) == []


def test_an_order_that_ended_on_the_day_of_the_statement_or_later_speaks_against_it() -> None:
    said = taken(derivedFrom=FROM_R1, dateAsserted="2026-03-18")
    for end, open_ in (("2026-03-17", False), ("2026-03-18", False), ("2026-03-19", True)):
        order = ordered(bounded("2026-01-05", end), status="stopped")
        assert bool(asked(read(said, order))) is open_


def test_two_statements_against_a_medicine_are_asked_about_each() -> None:
    record = read(
        ordered(),
        taken(id="s1", status="not-taken", dateAsserted="2026-03-18"),
        taken(id="s2", status="on-hold", dateAsserted="2026-03-19"),
    )
    assert asked(record) == [ONE, ONE]


def test_a_statement_that_was_made_later_than_the_one_that_denies_it_stands() -> None:
    denied = taken(id="s2", status="not-taken", dateAsserted="2026-03-01", effectivePeriod=None)
    assert read(taken(dateAsserted="2026-03-02"), denied).questions == ()
    assert asked(read(taken(dateAsserted="2026-02-28", effectivePeriod=None), denied)) == [ONE]


def test_two_active_orders_of_different_groups_are_asked_about() -> None:
    """One group says that they were ordered together; two say nothing of each other."""
    record = read(
        ordered(groupIdentifier={"system": "https://ehr.example/groups", "value": "1"}),
        ordered(
            dosage(ucum(25, "ug")),
            id="r2",
            groupIdentifier={"system": "https://ehr.example/groups", "value": "2"},
        ),
    )
    assert asked(record) == ["Bundle.entry[2].resource"]


@pytest.mark.parametrize(("ended", "days"), [("2025-12-16", 365), ("2025-12-15", 49)])
def test_a_gap_of_more_than_forty_five_days_is_a_change(ended: str, days: int) -> None:
    """The regimen changed when tablets were taken again, which is when labs must wait anew."""
    record = read(
        taken(
            id="old",
            status="completed",
            effectivePeriod={"start": "2025-03-20", "end": ended},
        ),
        ordered(authoredOn="2026-01-30"),
    )
    assert record.facts.regimen_changed_days_ago == days


def reason(*words: str, **more: object) -> Json:
    """Why it stands as it does: words, and the displays of codes."""
    text, *shown = words
    return {"text": text, "coding": [{"display": each} for each in shown], **more}


DENIED_BY_REASON: dict[str, Json] = {
    "an order": ordered(statusReason=reason("Stopped by patient")),
    "an order, by the display of a code": ordered(
        statusReason=reason("see letter", "Medication discontinued")
    ),
    "an order, in the midst of its words": ordered(
        statusReason=reason("Palpitations: she has not taken it since Monday")
    ),
    "a statement": taken(statusReason=[reason("Side effects"), reason("On hold for surgery")]),
}


@pytest.mark.parametrize("resource", DENIED_BY_REASON.values(), ids=DENIED_BY_REASON.keys())
def test_a_reason_that_says_it_is_not_taken_is_asked_about(resource: Json) -> None:
    """FHIR R4, ``statusReason``: "the reason for the current state", here of one that is active."""
    record = read(resource)
    assert asked(record) == [f"{ONE}.statusReason"]
    assert record.current == ()


OTHER_REASONS: dict[str, Json] = {
    "an order": ordered(statusReason=reason("Dose raised after the TSH of May", "Renewal")),
    "an order without words": ordered(statusReason={"coding": [{"code": "labint"}]}),
    "a statement": taken(statusReason=[reason("Started after thyroidectomy")]),
}


@pytest.mark.parametrize("resource", OTHER_REASONS.values(), ids=OTHER_REASONS.keys())
def test_any_other_reason_says_nothing_of_the_taking(resource: Json) -> None:
    record = read(resource)
    assert doses(record) == [("levothyroxine", ["100"])]
    assert (record.questions, record.confirm) == ((), ())


@pytest.mark.parametrize("status", ["stopped", "on-hold", "completed", "cancelled", "draft"])
def test_of_what_is_not_taken_the_reason_is_not_asked_about(status: str) -> None:
    said = reason("Stopped by patient")
    assert read(ordered(status=status, statusReason=said)).questions == ()
    over = ordered(bounded("2026-01-05", "2026-03-19"), statusReason=said)
    assert read(over).questions == ()


def test_a_reason_against_it_leaves_open_what_was_taken_over_time() -> None:
    denied = bundle(DENIED_BY_REASON["an order"])
    with pytest.raises(Undecided, match="the reason of that status"):
        doses_by_date(denied, **LOOK)


@pytest.mark.parametrize("resource", [ordered(), taken()])
def test_the_dose_is_a_choice_where_a_reason_is_against_it(resource: Json) -> None:
    why = reason("Stopped by patient")
    said = why if resource["resourceType"] == "MedicationRequest" else [why]
    held = bundle({**resource, "statusReason": said})
    (posed,) = posed_in(held, read_bundle(held).questions, **LOOK).posed
    assert [choice.code for choice in posed.choices] == [
        "levothyroxine_100", "not-taken", "otherwise",
    ]  # fmt: skip
    (written,) = posed.choices[0].change.resources.values()
    assert written is not None
    assert doses(read(written)) == [("levothyroxine", ["100"])]
    assert read(written).questions == ()
