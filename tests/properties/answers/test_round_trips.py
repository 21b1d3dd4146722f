"""Propose, be asked, answer, propose: as if the record had been written clearly at once."""

from collections import Counter
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.properties.answers.records import AS_OF, CASES, Case, Chart, Resource, bundle

from crossgrain.catalogue import load_catalogue
from crossgrain.dosing.regimens import Regimen
from crossgrain.operations.desk import desk_over
from crossgrain.operations.propose_switch import Settled, settle
from crossgrain.reading.elements import Asks
from crossgrain.reading.question_form import OTHERWISE, QuestionForm

DESK = desk_over(load_catalogue(), lambda: datetime(2025, 3, 3, 12, tzinfo=UTC))
ANSWERABLE = set(Asks) - {Asks.OTHER}
DOSES = st.sampled_from([50, 75, 88, 100, 112, 125, 137, 150])


def proposed(
    record: Resource, chart: Chart, case: Case, *answers: Resource, **options: str
) -> Settled:
    said = {"target": "desiccated-thyroid", "as-of": AS_OF, **case.options, **options}
    parameters: list[Resource] = [{"name": "record", "resource": record}]
    for name, value in said.items():
        if value:
            given = {"valueReference": {"reference": value}} if name == "order" else {}
            kind = "valueDate" if name == "as-of" else "valueCode"
            parameters.append({"name": name, **(given or {kind: value})})
    parameters += [{"name": "answers", "resource": each} for each in answers]
    body = {"resourceType": "Parameters", "parameter": parameters}
    return settle(DESK, body, (), chart.version)


def answered(form: QuestionForm, case: Case, chart: Chart) -> Resource:
    """The answers to the questions of the kind of the case."""
    picked = case.pick(chart)
    items = []
    for posed in form.posed:
        another = case.asks is Asks.ORDER and posed.entry.resource["id"] != "d2"
        if posed.question.asks is not case.asks or another:
            continue
        answer: Resource = {"valueCoding": {"system": form.url, "code": picked}}
        if isinstance(picked, dict):
            doses = [
                {"linkId": f"{posed.id}.{line}", "answer": [{"valueQuantity": quantity}]}
                for line, quantity in picked.items()
            ]
            answer = {"valueCoding": {"system": form.url, "code": OTHERWISE}, "item": doses}
        items.append({"linkId": posed.id, "answer": [answer]})
    return {
        "resourceType": "QuestionnaireResponse",
        "status": "completed",
        "questionnaire": form.url,
        "item": items,
    }


def amounts(regimen: Regimen) -> Counter[str]:
    """What is taken a day of each medicine, however many resources it is in."""
    daily: Counter[str] = Counter()
    for line in regimen:
        daily[line.preparation.id] += line.daily
    return daily


def plan_of(settled: Settled, *, same_tablets: bool = True) -> Any:
    """What is proposed, without where in the record it was read."""
    proposal = settled.proposal
    plan = proposal.plan
    return (
        proposal.outcome,
        amounts(proposal.record.regimen),
        [(finding.code, finding.severity) for finding in proposal.findings],
        plan and (plan.comparison, plan.checkpoint.dose),
        plan and same_tablets and (plan.steps, plan.labs, plan.prescriptions, plan.checkpoint),
    )


def cases():
    for case in CASES:
        for version in case.versions:
            yield pytest.param(case, version, id=f"{case.name}, {version.value}")


@pytest.mark.parametrize(("case", "version"), cases())
@settings(max_examples=3)
@given(dose=DOSES, with_ids=st.booleans())
def test_an_answered_record_gives_the_plan_of_a_clear_one(case, version, dose, with_ids):
    chart = Chart(version, dose, with_ids or case.needs_ids)
    unclear = bundle(case.unclear(chart))
    asked = proposed(unclear, chart, case)
    assert asked.form is not None
    assert case.asks in {posed.question.asks for posed in asked.form.posed}
    after = proposed(unclear, chart, case, answered(asked.form, case, chart))
    assert after.form is None, [posed.question for posed in after.form.posed]
    clear = proposed(bundle(case.clear(chart)), chart, case, **case.clear_options)
    assert clear.form is None, [posed.question for posed in clear.form.posed]
    tablets = case.same_tablets
    assert plan_of(after, same_tablets=tablets) == plan_of(clear, same_tablets=tablets)
    assert after.proposal.record.testimony.confirmed
    assert not clear.proposal.record.testimony.confirmed


def test_there_is_a_round_trip_for_every_kind_of_question_that_a_form_can_answer():
    assert {case.asks for case in CASES} == ANSWERABLE
