"""What is to be said of the orders of a session."""

import copy
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest
from tests.api.hooks import call, grains, levothyroxine, liothyronine

from crossgrain.catalogue import Catalogue
from crossgrain.cds import advice as module
from crossgrain.cds.advice import Advice, advise, orders_in
from crossgrain.cds.card_detail import _numbers
from crossgrain.cds.hook import read_call
from crossgrain.cds.record import assemble, read
from crossgrain.cds.services import sort_out, templates
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.json import parse
from crossgrain.safety.facts import Intent
from crossgrain.safety.judgement import Ending, Verdict
from crossgrain.safety.rule import Finding, Severity
from crossgrain.writing.answer import answer_bundle
from crossgrain.writing.forms import to_json

DAY = date(2025, 3, 2)
LT4, GRAINS, LT3 = (
    "01-levothyroxine-150.json",
    "02-desiccated-120.json",
    "05-liothyronine-50.json",
)
Advised = Callable[..., Advice]


@pytest.fixture
def advised(catalogue: Catalogue) -> Advised:
    def ask(body: dict[str, Any], basis: str = "practice") -> Advice:
        sent = read_call(parse(json.dumps(body).encode()), "thyroid-order")
        gathered = [sort_out(one, sent.prefetch) for one in templates(catalogue.codes)]
        assembled = assemble(gathered, sent.drafts)
        record = read(assembled, catalogue, Calendar(DAY))
        return advise(record, catalogue, DAY, basis, assembled.in_session)

    return ask


def codes(advice: Advice) -> list[str]:
    return [finding.code for finding in advice.concerns]


def test_a_slip_is_judged_and_a_series_is_proposed_from_today(advised: Advised) -> None:
    advice = advised(call(LT4, [grains(60, "p01")]))
    assert advice.judgement is not None
    assert advice.judgement.verdict is Verdict.UNDER
    assert advice.judgement.basis_id == "practice"
    assert advice.offers_series
    assert advice.proposal is not None
    assert advice.proposal.plan is not None
    assert advice.proposal.request.as_of == advice.proposal.request.start == DAY
    assert advice.proposal.request.basis_id == "practice"
    assert advice.proposal.request.orders == ("MedicationRequest/rx-1",)
    assert codes(advice)[:3] == [
        "order-under-dosed-switch",
        "order-t3-jump",
        "order-duplicate-therapy",
    ]
    assert advice.not_checked
    assert all(finding.code.startswith("not-checked-") for finding in advice.not_checked)
    assert not [code for code in codes(advice) if code.startswith("not-checked-")]


def test_the_basis_is_the_clinics(advised: Advised) -> None:
    advice = advised(call(LT4, [grains(60, "p01")]), "label")
    assert advice.judgement is not None
    assert advice.judgement.basis_id == "label"
    assert advice.proposal is not None
    assert advice.proposal.request.basis_id == "label"


def test_only_orders_of_the_session_are_judged(advised: Advised) -> None:
    advice = advised(call(LT4, [grains(60, "p01")]))
    assert [order.reference for order in advice.orders] == ["MedicationRequest/rx-1"]
    assert orders_in(advice.record, frozenset()) == ()
    assert orders_in(advice.record, frozenset({"MedicationRequest/rx-1"})) == advice.orders


def test_without_an_order_nothing_is_judged(advised: Advised) -> None:
    advice = advised(call(LT4, []))
    assert (advice.orders, advice.judgement, advice.concerns) == ((), None, ())
    assert not advice.offers_series


def nothing_taken(file: str, drafts: list[dict[str, Any]]) -> dict[str, Any]:
    body = call(file, drafts)
    body["prefetch"]["medicationRequests"] = body["prefetch"]["medicationStatements"] = None
    return body


def test_a_first_order_is_no_switch(advised: Advised) -> None:
    advice = advised(nothing_taken(LT4, [grains(60, "p01")]))
    assert len(advice.orders) == 1
    assert (advice.judgement, advice.concerns, advice.questions) == (None, (), ())


@pytest.mark.parametrize(("file", "who"), [(LT4, "p01"), (LT3, "p05")])
def test_whichever_hormone_is_taken_now_an_order_is_judged(
    advised: Advised, file: str, who: str
) -> None:
    """T4 alone or T3 alone: either is something to switch from."""
    assert advised(call(file, [grains(60, who)])).judgement is not None


def test_an_open_question_is_asked_and_nothing_is_judged(advised: Advised) -> None:
    advice = advised(call("12-text-only-sig.json", [grains(60, "p12")]))
    assert advice.questions
    assert advice.questions == advice.record.questions
    assert (advice.judgement, advice.concerns, advice.proposal) == (None, (), None)


def test_a_dose_that_no_chart_reaches_is_not_judged(
    advised: Advised, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A table chart ends somewhere: beyond it there is no verdict, and no crash."""

    def out_of_reach(*_: Any) -> Any:
        raise DomainError(Category.OUT_OF_RANGE, "order", "no chart reaches this dose")

    monkeypatch.setattr(module, "judge", out_of_reach)
    advice = advised(call(LT4, [grains(60, "p01")]))
    assert len(advice.orders) == 1
    assert (advice.judgement, advice.concerns) == (None, ())


@pytest.mark.parametrize(
    ("file", "draft", "expected"),
    [
        (LT4, levothyroxine(150, "p01"), []),
        (LT4, levothyroxine(187.5, "p01"), []),  # 1.25 of today's
        (LT4, levothyroxine(200, "p01"), ["order-over-dosed-switch"]),
        (LT4, levothyroxine(50, "p01"), []),  # a lower dose is the prescriber's own titration
        (LT3, liothyronine(55, "p05"), []),
        (LT3, liothyronine(60, "p05"), ["order-t3-jump"]),
        (LT3, liothyronine(25, "p05"), []),
        (GRAINS, grains(180, "p02"), ["order-over-dosed-switch", "order-t3-jump"]),
        (GRAINS, grains(60, "p02"), []),
    ],
)
def test_of_a_new_dose_of_what_is_taken_only_too_much_or_a_jump_in_t3_is_said(
    advised: Advised, file: str, draft: dict[str, Any], expected: list[str]
) -> None:
    advice = advised(call(file, [draft]))
    assert codes(advice) == expected
    assert [one.reference for one in advice.orders] == ["MedicationRequest/rx-1"]
    assert advice.proposal is None
    assert not advice.offers_series


def test_where_it_is_open_what_an_order_replaces_that_is_asked_and_a_jump_is_said(
    advised: Advised,
) -> None:
    advice = advised(call(LT4, [liothyronine(50, "p01")]))
    assert codes(advice) == ["order-t3-jump"]
    (question,) = advice.questions
    assert [one.reference for one in advice.orders] == ["MedicationRequest/rx-1"]
    assert "replace" in question.question
    assert advice.proposal is None


def series(advised: Advised, catalogue: Catalogue) -> list[dict[str, Any]]:
    """The first proposals of a series of ours, as they would be signed."""
    proposal = advised(call(LT4, [grains(60, "p01")])).proposal
    assert proposal is not None
    answer = answer_bundle(
        proposal, version=FhirVersion.R4, service_version="1", codes=catalogue.codes
    )
    resources = [entry["resource"] for entry in json.loads(to_json(answer))["entry"]]
    return [
        one
        for one in resources
        if one["resourceType"] == "MedicationRequest"
        and one["intent"] == "proposal"
        and one["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["start"]
        == DAY.isoformat()
    ]


def with_condition(body: dict[str, Any], code: str, text: str) -> dict[str, Any]:
    """The same record with one problem more."""
    sent = copy.deepcopy(body)
    bundle = sent["prefetch"]["conditions"]
    problem = copy.deepcopy(bundle["entry"][0])
    coding = {"system": "http://snomed.info/sct", "code": code, "display": text}
    problem["resource"] |= {"id": f"c-{code}", "code": {"coding": [coding], "text": text}}
    problem["resource"].pop("onsetDateTime", None)
    bundle["entry"].append(problem)
    bundle["total"] = len(bundle["entry"])
    return sent


def test_a_step_of_a_series_of_ours_is_not_judged_again(
    advised: Advised, catalogue: Catalogue
) -> None:
    """How fast it climbs was settled when it was proposed."""
    steps = series(advised, catalogue)
    advice = advised(call(LT4, steps))
    assert advice.judgement is not None
    assert advice.judgement.verdicts == (Verdict.FITS,)
    assert advice.judgement.disputes == ()
    assert len(advice.orders) == len(steps)  # a card about them must be able to name them
    assert advice.concerns == ()
    assert not advice.offers_series


def test_what_has_come_into_the_record_since_stops_or_holds_a_step(
    advised: Advised, catalogue: Catalogue
) -> None:
    """A step is signed weeks after it was proposed: the record may hold an infarction by then."""
    body = call(LT4, series(advised, catalogue))
    stopped = advised(with_condition(body, "386584007", "Adrenal insufficiency"))
    assert [(f.code, f.severity) for f in stopped.concerns] == [
        ("adrenal-insufficiency", Severity.STOP)
    ]
    held = advised(with_condition(body, "49436004", "Atrial fibrillation"))
    assert {f.severity for f in held.concerns} == {Severity.HOLD}
    assert held.judgement is not None
    assert held.judgement.verdict is Verdict.FITS


def test_an_order_that_fits_offers_no_series_though_there_is_a_plan(advised: Advised) -> None:
    advice = advised(call(LT4, [grains(60, "p01")]))
    assert advice.judgement is not None
    assert advice.proposal is not None
    fits = replace(advice.judgement, verdicts=(Verdict.FITS,))
    assert not replace(advice, judgement=fits).offers_series
    assert not replace(advice, judgement=None).offers_series
    assert not replace(advice, proposal=None).offers_series
    assert not replace(advice, proposal=replace(advice.proposal, plan=None)).offers_series


def test_an_order_for_which_no_series_can_be_planned_is_judged_all_the_same(
    advised: Advised, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any) -> Any:
        raise DomainError(Category.OUT_OF_RANGE, "target", "no tablets make it")

    monkeypatch.setattr(module, "propose", refuse)
    advice = advised(call(LT4, [grains(60, "p01")]))
    assert codes(advice) == [
        "order-under-dosed-switch",
        "order-t3-jump",
        "order-duplicate-therapy",
    ]
    assert advice.judgement is not None
    assert [one.reference for one in advice.orders] == ["MedicationRequest/rx-1"]
    assert advice.proposal is None


@pytest.mark.parametrize(
    ("file", "drafts", "target", "t3_rises", "hormone_rises"),
    [
        (LT4, [grains(60, "p01")], Target.DESICCATED_THYROID, True, True),  # T3 is a rise by itself
        (GRAINS, [levothyroxine(200, "p02")], Target.LEVOTHYROXINE, False, True),
        (GRAINS, [levothyroxine(100, "p02")], Target.LEVOTHYROXINE, False, False),
        (GRAINS, [levothyroxine(112, "p02")], Target.LEVOTHYROXINE, False, True),  # on `practice`
        (LT4, [levothyroxine(175, "p01")], Target.LEVOTHYROXINE, False, True),
        (LT4, [levothyroxine(125, "p01")], Target.LEVOTHYROXINE, False, False),
        (LT3, [liothyronine(25, "p05")], Target.LIOTHYRONINE, False, False),
    ],
)
def test_the_rules_are_asked_about_a_step_as_about_the_move_that_it_is_part_of(
    advised: Advised,
    catalogue: Catalogue,
    monkeypatch: pytest.MonkeyPatch,
    *,
    file: str,
    drafts: list[dict[str, Any]],
    target: Target,
    t3_rises: bool,
    hormone_rises: bool,
) -> None:
    """A rule that stops a rise, or T3 in pregnancy, must know of either."""
    asked: list[tuple[Any, Intent]] = []

    def noting(facts: Any, intent: Intent, _: Any) -> tuple[Finding, ...]:
        asked.append((facts, intent))
        return FOUND

    monkeypatch.setattr(module, "before_plan", noting)
    advice = advised(call(file, drafts))
    assert advice.judgement is not None
    asked.clear()
    said = module._of_steps(advice.record, advice.orders, advice.judgement, catalogue)
    assert [finding.code for finding in said] == ["stops", "holds"]
    ((facts, intent),) = asked
    assert intent == Intent(target, t3_rises=t3_rises, hormone_rises=hormone_rises)
    assert facts == replace(advice.record.facts, in_series=True)


FOUND = tuple(
    Finding(code, code, severity, "x", "y", (), "z")
    for code, severity in {
        "stops": Severity.STOP,
        "holds": Severity.HOLD,
        "not-checked-x": Severity.HOLD,
        "notes": Severity.NOTE,
    }.items()
)


def test_a_step_that_was_changed_is_judged_and_the_rules_are_asked_too(
    advised: Advised, catalogue: Catalogue
) -> None:
    """15 mg accepted and edited to 180 mg is no mere titration, whatever mark it carries."""
    (step, *_) = [one for one in series(advised, catalogue) if "desiccated" in str(one)]
    body = call(LT4, [step | {"dosageInstruction": grains(180, "p01")["dosageInstruction"]}])
    step_now = body["context"]["draftOrders"]["entry"][0]["resource"]
    step_now["medicationCodeableConcept"] = grains(180, "p01")["medicationCodeableConcept"]
    advice = advised(body)
    assert advice.judgement is not None
    assert advice.judgement.verdict is not Verdict.FITS
    assert "order-t3-jump" in codes(advice)


def test_an_increase_of_what_is_taken_that_carries_our_mark_is_asked_about_by_the_rules(
    advised: Advised, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "before_plan", lambda *_: FOUND)
    unmarked = advised(call(LT4, [levothyroxine(200, "p01")]))
    assert codes(unmarked) == ["order-over-dosed-switch"]
    monkeypatch.setattr(module, "marks_of", lambda *_: [MARKED])
    marked = advised(call(LT4, [levothyroxine(200, "p01")]))
    assert codes(marked) == ["stops", "order-over-dosed-switch", "holds"]


MARKED = SimpleNamespace(mark=SimpleNamespace(facts=SimpleNamespace(target=Target.LEVOTHYROXINE)))


def test_where_the_old_medicine_is_left_running_every_chart_shows_both_together(
    advised: Advised,
) -> None:
    """150 µg and a grain beside it: on `practice` 200 of 150, on `label` 250."""
    judgement = advised(call(LT4, [grains(60, "p01")])).judgement
    assert judgement is not None
    said = _numbers(replace(judgement, ending=Ending.RUNS)).split("\n")[0]
    assert said.startswith(
        "- **New, with what is taken left running, over old**: 1.333 on practice, 1.667 on label, "
    )
