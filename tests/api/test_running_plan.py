"""A plan that is under way: told through every door, and by its shape where the marks are gone.

Days count from the day of reading. The thresholds are those of our own rules: the days of supply
of the rule `plan-running`, a product's increment, and the intervals of the paces.
"""

import copy
import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from tests.conformance.r5_records import as_r5
from tests.unit.command import crossgrain

from crossgrain.catalogue import Catalogue

from . import hooks
from .calls import FHIR, LT4, Resource
from .ehr import (
    DAY_ONE,
    KEEPING,
    Ehr,
    as_it_is,
    bundle,
    decision_day,
    findings,
    signed,
    starts,
    without_extension,
    without_group,
)

APPLY = "/fhir/r4/PlanDefinition/regimen-switch/$apply"
UNDER_WAY = "under way"


@pytest.fixture(scope="module")
def ehr(catalogue: Catalogue) -> Ehr:
    return Ehr(catalogue, LT4, "desiccated-thyroid")


@pytest.fixture(scope="module")
def midst(ehr: Ehr) -> tuple[int, list[Resource]]:
    """A day in the midst of the plan, and the chart on it."""
    day = starts(ehr)[2] + 1
    return day, ehr.live_until(day, as_it_is)


def on(day: int) -> str:
    return (DAY_ONE + timedelta(day)).isoformat()


class TestEveryDoor:
    """The plan that runs is named, and no other is made."""

    def test_the_sheet_tells_of_the_running_plan(
        self, ehr: Ehr, midst: tuple[int, list[Resource]]
    ) -> None:
        day, chart = midst
        answer = ehr.on(day).post(
            "/sheet",
            params={"target": "desiccated-thyroid", "as-of": on(day)},
            content=json.dumps(bundle(chart)),
            headers=FHIR,
        )
        assert answer.status_code == 200
        assert UNDER_WAY in answer.text
        assert "Ask for the running plan&#39;s next step ($next-step) instead" in answer.text

    @pytest.mark.parametrize("version", ["r4", "r5"])
    def test_apply_refuses_with_the_running_plan(
        self, ehr: Ehr, midst: tuple[int, list[Resource]], version: str
    ) -> None:
        day, chart = midst
        record: Any = bundle(chart)
        options = [
            {"name": "target", "valueCode": "desiccated-thyroid"},
            {"name": "as-of", "valueDate": on(day)},
        ]
        inner = {"resourceType": "Parameters", "parameter": options}
        body = {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "subject", "valueString": f"Patient/{ehr.patient_id}"},
                {"name": "data", "resource": as_r5(record) if version == "r5" else record},
                {"name": "parameters", "resource": inner},
            ],
        }
        answer = ehr.on(day).post(
            APPLY.replace("r4", version), content=json.dumps(body), headers=FHIR
        )
        assert answer.status_code == 422, answer.text
        said = [issue["diagnostics"] for issue in answer.json()["issue"]]
        assert any(UNDER_WAY in each for each in said)

    def test_the_command_line_tells_of_the_running_plan_and_exits_with_2(
        self, midst: tuple[int, list[Resource]], tmp_path: Path
    ) -> None:
        day, chart = midst
        record = tmp_path / "record.json"
        record.write_text(json.dumps(bundle(chart)))
        ran = crossgrain(
            "propose", record, "--target", "desiccated-thyroid", "--as-of", on(day), columns=400
        )
        assert ran.returncode == 2, ran.told_beside
        assert UNDER_WAY in ran.told

    @pytest.mark.parametrize("hook", ["order-select", "order-sign"])
    def test_the_hooks_tell_of_it_where_an_order_begins_another_move(
        self, ehr: Ehr, midst: tuple[int, list[Resource]], hook: str
    ) -> None:
        day, chart = midst
        draft = hooks.liothyronine(25, ehr.patient_id)
        more: Resource = {"hook": hook}
        call = ehr.call(chart, [draft])
        if hook == "order-select":
            selected = [f"{draft['resourceType']}/{draft['id']}"]
            more["context"] = call["context"] | {"selections": selected}
        (card,) = ehr.cards(day, chart, [draft], **more)
        assert UNDER_WAY in card["detail"]


class TestTheLastSupply:
    """How long after its last supply a plan still runs."""

    @pytest.mark.parametrize("keep", KEEPING)
    @pytest.mark.parametrize(("after", "runs"), [(13, True), (14, True), (15, False)])
    def test_a_plan_runs_until_fourteen_days_after_its_last_supply(
        self, ehr: Ehr, keep: Callable[[Resource], Resource], after: int, runs: bool
    ) -> None:
        day = decision_day(ehr) - 1 + after
        answer = ehr.propose(day, ehr.live_until(day, keep), "desiccated-thyroid")
        assert ("plan-running" in findings(answer)) is runs


def parts(answer: Resource, name: str) -> list[Resource]:
    return [part for part in answer["parameter"] if part["name"] == name]


@pytest.mark.parametrize("keep", [as_it_is, without_extension])
def test_the_comparison_counts_the_last_supply_on_the_decision_day_and_tells_of_the_plan(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    day = decision_day(ehr)
    until, on_the_day = (
        ehr.ask("$compare-bases", d, ehr.live_until(d, keep), target="levothyroxine")
        for d in (day - 1, day)
    )
    for answer in (until, on_the_day):
        (running,) = parts(answer, "plan-running")
        assert "is under way" in running["valueString"]
        assert parts(answer, "question") == []
    assert parts(until, "daily-hormone") == parts(on_the_day, "daily-hormone") != []
    assert parts(until, "basis") == parts(on_the_day, "basis") != []


def test_the_comparison_says_nothing_of_a_plan_where_none_runs(ehr: Ehr) -> None:
    answer = ehr.ask("$compare-bases", 0, ehr.chart, target="desiccated-thyroid")
    assert parts(answer, "plan-running") == []
    assert parts(answer, "daily-hormone") != []


def dated(draft: Resource, first: int, last: int | None, **more: str) -> Resource:
    """An order with the days on which its dose is taken, both included."""
    order = copy.deepcopy(draft) | {"id": f"{draft['id']}-{first}", "authoredOn": on(first)} | more
    bounds = {"start": on(first), **({} if last is None else {"end": on(last)})}
    order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"] = bounds
    return order


def taken(draft: Resource, first: int, last: int | None) -> Resource:
    """The same as it was signed and filed."""
    return dated(draft, first, last, status="active")


def lt4(ug: float) -> Resource:
    return hooks.levothyroxine(ug, "p01", own_id=f"lt4-{ug}")


def lt3(ug: float) -> Resource:
    return hooks.liothyronine(ug, "p01", own_id=f"lt3-{ug}")


def thyroid(mg: float) -> Resource:
    words = "desiccated thyroid 60 mg per grain"
    return hooks.order(words, "10572", mg, "mg", "p01", own_id=f"dt-{mg}")


def runs(ehr: Ehr, target: str, *orders: Resource) -> bool:
    """Whether a plan is seen to run in a chart of these orders alone, none of them marked."""
    others = [r for r in ehr.chart if not r["resourceType"].startswith("Medication")]
    return "plan-running" in findings(ehr.propose(0, [*others, *orders], target))


class TestAClimbByItsShape:
    """A signed taper beside a signed climb; below, at and above what a series of ours does."""

    def climb(self, ehr: Ehr, *, lasted: int = 14, rise: float = 15) -> bool:
        orders = (
            taken(lt4(125), -lasted, -1), taken(lt4(100), 0, 20),
            taken(thyroid(15), -lasted, -1), taken(thyroid(15 + rise), 0, 20),
        )  # fmt: skip
        return runs(ehr, "desiccated-thyroid", *orders)

    @pytest.mark.parametrize(("rise", "seen"), [(7.5, True), (15, True), (22.5, False)])
    def test_the_new_medicine_rises_by_no_more_than_an_increment(
        self, ehr: Ehr, rise: float, seen: bool
    ) -> None:
        assert self.climb(ehr, rise=rise) is seen

    @pytest.mark.parametrize(("lasted", "seen"), [(9, False), (10, True), (11, True)])
    def test_a_dose_lasts_no_less_than_the_shortest_interval_of_a_pace(
        self, ehr: Ehr, lasted: int, seen: bool
    ) -> None:
        assert self.climb(ehr, lasted=lasted) is seen


@pytest.mark.parametrize(("over", "t4_ug"), [(-6, 19), (-1, 119)])
def test_a_taper_that_is_over_is_no_supply_that_has_just_ended(
    ehr: Ehr, over: int, t4_ug: int
) -> None:
    """30 mg hold 19 µg T4: US label, 38 µg for each 60 mg."""
    ends = 20 if over < -1 else -1
    others = [r for r in ehr.chart if not r["resourceType"].startswith("Medication")]
    orders = (
        taken(lt4(125), -28, -15), taken(lt4(100), -14, over),
        taken(thyroid(15), -28, -15), taken(thyroid(30), -14, ends),
    )  # fmt: skip
    answer = ehr.ask("$compare-bases", 0, [*others, *orders], target="levothyroxine")
    assert len(parts(answer, "plan-running")) == 1
    (hormone,) = parts(answer, "daily-hormone")
    assert hormone["part"][0]["valueQuantity"]["value"] == t4_ug


class TestAClimbOfDraftsByItsShape:
    """Drafts with none of our marks, of one who takes LT4 150; silent where a series by shape.

    Too little when judged as any orders, so that nothing but the shape can keep them silent.
    """

    def cards(self, ehr: Ehr, *drafts: Resource) -> list[Resource]:
        return ehr.cards(0, ehr.chart, list(drafts))

    @pytest.mark.parametrize(
        ("first", "then", "silent"),
        [
            (7.5, 15, True), (15, 22.5, True), (15, 30, True), (15, 37.5, False),
            (22.5, 30, False),
        ],
    )  # fmt: skip
    def test_each_rise_is_no_more_than_an_increment(
        self, ehr: Ehr, first: float, then: float, silent: bool
    ) -> None:
        drafts = dated(thyroid(first), 0, 13), dated(thyroid(then), 14, 27)
        old = dated(lt4(62.5), 0, 13), dated(lt4(50), 14, 27)
        assert (self.cards(ehr, *drafts, *old) == []) is silent

    @pytest.mark.parametrize(("lasts", "silent"), [(9, False), (10, True), (11, True)])
    def test_each_rise_waits_the_shortest_interval_of_a_pace(
        self, ehr: Ehr, lasts: int, silent: bool
    ) -> None:
        drafts = dated(thyroid(15), 0, lasts - 1), dated(thyroid(30), lasts, lasts + 13)
        old = dated(lt4(62.5), 0, lasts - 1), dated(lt4(50), lasts, lasts + 13)
        assert (self.cards(ehr, *drafts, *old) == []) is silent

    @pytest.mark.parametrize(("last", "silent"), [(82.5, True), (90, True), (97.5, False)])
    def test_the_climb_ends_at_the_smallest_target_of_the_comparison(
        self, ehr: Ehr, last: float, silent: bool
    ) -> None:
        """90 mg: 150 µg at 100 µg LT4 for 60 mg, as a product monograph has it (quoted)."""
        climb = [15, 30, 45, 60, 75, last if last < 90 else 90, last]
        new = [dated(thyroid(mg), 14 * n, 14 * n + 13) for n, mg in enumerate(climb)]
        taper = [125, 112, 88, 75, 50, 25, 12.5]
        old = [dated(lt4(ug), 14 * n, 14 * n + 13) for n, ug in enumerate(taper)]
        assert (self.cards(ehr, *new, *old) == []) is silent


class TestLT4AtOnceByItsShape:
    """LT4 that stays the same from the day on which the old medicine comes down."""

    def test_it_is_seen_from_the_first_fall_of_the_taper(self, ehr: Ehr) -> None:
        orders = taken(lt4(100), -7, 62), taken(lt3(40), -7, -1), taken(lt3(25), 0, 13)
        assert runs(ehr, "levothyroxine", *orders)

    @pytest.mark.parametrize(("lasted", "seen"), [(27, True), (28, True), (29, False)])
    def test_a_step_of_the_taper_lasts_no_longer_than_the_longest_interval_of_a_pace(
        self, ehr: Ehr, lasted: int, seen: bool
    ) -> None:
        steps = taken(lt3(40), -lasted, -1), taken(lt3(25), 0, 13)
        assert runs(ehr, "levothyroxine", taken(lt4(100), -lasted, 62), *steps) is seen

    def ordinary(self) -> dict[str, tuple[Resource, ...]]:
        """Records in which no plan runs."""
        taper = taken(lt3(10), -14, -1), taken(lt3(5), 0, 60)
        return {
            "taken before": (taken(lt4(75), -90, -15), taken(lt4(75), -14, 60), *taper),
            "raised since": (taken(lt4(75), -14, -1), taken(lt4(88), 0, 60), *taper),
            "refilled apart": (taken(lt4(75), -14, -1), taken(lt4(75), 0, 60), *taper),
            "nothing falls": (taken(lt4(75), -14, 60), taken(lt3(10), -14, -1),
                              taken(lt3(10), 0, 60)),
            "no end": (taken(lt4(75), -14, None), *taper),
            "a gap": (taken(lt4(75), -14, 60), taken(lt3(10), -14, -3), taken(lt3(5), 0, 60)),
            "begun later": (taken(lt4(75), -10, 60), *taper),
            "one order each": (taken(lt4(75), -14, 60), taken(lt3(10), -14, 60)),
            "T3 rises": (taken(lt4(75), -14, 60), taken(lt3(5), -14, -1), taken(lt3(10), 0, 60)),
        }  # fmt: skip

    @pytest.mark.parametrize(
        "record",
        [
            "taken before", "raised since", "refilled apart", "nothing falls", "no end", "a gap",
            "begun later", "one order each", "T3 rises",
        ],
    )  # fmt: skip
    def test_an_ordinary_combination_is_taken_for_no_plan(self, ehr: Ehr, record: str) -> None:
        assert not runs(ehr, "desiccated-thyroid", *self.ordinary()[record])


@pytest.mark.parametrize(
    ("file", "target"),
    [
        ("02-desiccated-120.json", "levothyroxine"),
        ("03-desiccated-65-family.json", "levothyroxine"),
    ],
)
def test_a_move_to_lt4_without_our_extension_is_signed_without_a_word_and_seen_from_its_first_fall(
    catalogue: Catalogue, file: str, target: str
) -> None:
    moved = Ehr(catalogue, file, target, **{"prior-therapy": "overlap"})
    for day in starts(moved):
        drafts = [without_extension(order) for order in moved.steps_beginning(day)]
        assert moved.cards(day, moved.live_until(day, without_extension), drafts) == [], day
    assert moved.cards(0, moved.chart, [without_extension(o) for o in moved.series()]) == []
    day = starts(moved)[1] + 1
    answer = moved.propose(day, moved.live_until(day, without_extension), target)
    assert "plan-running" in findings(answer)


@pytest.mark.parametrize(("lasts", "silent"), [(7, True), (70, False)])
def test_lt4_at_once_is_too_much_only_where_the_old_medicine_comes_down_too_late(
    catalogue: Catalogue, lasts: int, silent: bool
) -> None:
    """LT3 50 to LT4 100: beside LT3 40 it is 1.8 of today's dose once LT4 is steady, no sooner."""
    moved = Ehr(catalogue, "05-liothyronine-50.json", "levothyroxine")
    drafts = [
        dated(hooks.levothyroxine(100, moved.patient_id), 0, 69),
        dated(hooks.liothyronine(40, moved.patient_id, own_id="rx-2"), 0, lasts - 1),
    ]
    cards = moved.cards(0, moved.chart, drafts)
    assert (cards == []) is silent
    assert silent or "too much" in cards[0]["summary"]


def signed_at_once(ehr: Ehr, day: int, keep: Callable[[Resource], Resource]) -> list[Resource]:
    """The chart on a day, every order of the series having been signed on the first."""
    chart = ehr.live_until(day, keep)
    known = {resource["id"] for resource in chart}
    return [*chart, *(keep(signed(o)) for o in ehr.series() if o["id"] not in known)]


def viewed(ehr: Ehr, day: int, chart: list[Resource]) -> list[Resource]:
    """The cards of `patient-view`."""
    call = ehr.call(chart, []) | {"hook": "patient-view"}
    del call["context"]["draftOrders"]
    answer = ehr.on(day).post(hooks.REVIEW, json=call)
    assert answer.status_code == 200, answer.text
    found: list[Resource] = answer.json()["cards"]
    return found


@pytest.mark.parametrize("keep", [as_it_is, without_group])
@pytest.mark.parametrize(
    ("file", "target"),
    [
        ("05-liothyronine-50.json", "levothyroxine"),
        ("02-desiccated-120.json", "levothyroxine"),
        ("01-levothyroxine-150.json", "desiccated-thyroid"),
    ],
)
def test_a_series_signed_at_once_is_followed_without_a_card_or_a_flag(
    catalogue: Catalogue, file: str, target: str, keep: Callable[[Resource], Resource]
) -> None:
    moved = Ehr(catalogue, file, target)
    assert moved.cards(0, moved.chart, [keep(order) for order in moved.series()]) == []
    last = decision_day(moved) - 1
    for day in sorted({0, 1, 7, 14, 22, 45, last - 1, last, *starts(moved)}):
        chart = signed_at_once(moved, day, keep)
        assert viewed(moved, day, chart) == [], day
        screened = moved.ask("$screen-switches", day, chart)
        assert findings(screened) == set(), day
        answer = moved.propose(day, chart, target)
        assert answer["entry"][0]["resource"]["status"] == "success"
        assert "plan-running" in findings(answer)
