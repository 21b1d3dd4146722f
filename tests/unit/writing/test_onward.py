"""A plan of a visit after the first is one like any other: answers, sheet and terminal write it."""

from datetime import date

import pytest
from tests.unit.dosing.switches import CATALOGUE, COMBINING, plan, regimen, tables
from tests.unit.dosing.test_onward import on_day, titrated
from tests.unit.writing.answers import resources, written

from crossgrain.cli.show.proposal import show
from crossgrain.core.proposal import Proposal, SwitchRequest
from crossgrain.dosing.onward import Act, Underway, plan_onward
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import Target
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.record import MedicineEntry, Record
from crossgrain.safety.assess import after_plan
from crossgrain.safety.checks import checks_of
from crossgrain.safety.facts import Facts
from crossgrain.safety.results import tsh_limits
from crossgrain.sheet.charted import charted
from crossgrain.sheet.page import calendar_of, sheet_html

AS_OF = date(2026, 3, 2)
CLIMB = plan(regimen(lt4=150), Target.DESICCATED_THYROID)
TO_LT4 = plan(regimen(mg60=120), Target.LEVOTHYROXINE)
COMBINED = plan(regimen(lt4=150), Target.LT4_LT3)
PLACES = {
    "in mid-climb": on_day(CLIMB, regimen(lt4=150), 35),
    "at the checkpoint": on_day(CLIMB, regimen(lt4=150), CLIMB.checkpoint.decision_day),
    "with the old T3 tapering": on_day(TO_LT4, regimen(mg60=120), 10),
    "in a combination": on_day(COMBINED, regimen(lt4=150), 20),
    "where no plan runs": titrated(regimen(lt4=100), Target.LEVOTHYROXINE),
    "on desiccated thyroid and LT3": titrated(regimen(mg60=60, lt3=5), Target.DESICCATED_LT3),
}
ACTS = {
    "continue": (Act.CONTINUE, {}),
    "hold": (Act.HOLD, {}),
    "hold for three weeks": (Act.HOLD, {"hold_days": 21}),
    "slow down": (Act.SLOW_DOWN, {}),
    "step back": (Act.STEP_BACK, {}),
    "turn back": (Act.TURN_BACK, {}),
    **{str(reading): (Act.BRANCH, {"reading": reading}) for reading in LabReading},
}


def proposal_of(underway: Underway, act: Act, **more: object) -> Proposal:
    """The plan of an act as a proposal for the patient who is there."""
    lines = tuple(
        DoseLine(line.preparation, line.cycle, f"MedicationRequest[{number}].dosageInstruction")
        for number, line in enumerate(underway.today)
    )
    current = tuple(
        MedicineEntry(
            f"MedicationRequest/m{n}", "MedicationRequest", f"Bundle.m{n}", (ln,), "active"
        )
        for n, ln in enumerate(lines)
    )
    facts = Facts(Regimen(lines), age_years=50)
    made = plan_onward(underway, act, tables(), **more)
    found = after_plan(made, facts, CATALOGUE.rules)
    return Proposal(
        SwitchRequest(AS_OF, AS_OF, made.target, mixture=COMBINING.mixture()),
        made.target,
        Record(AS_OF, "Patient/p", facts, current),
        found,
        made,
        tsh_limits(facts, CATALOGUE.rules),
        checks_of(found, CATALOGUE.rules, made, facts.regimen.t3_ug),
    )


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("act", ACTS)
def test_every_act_is_written_as_an_answer_of_both_versions_and_as_a_sheet(place, act):
    proposal = proposal_of(PLACES[place], ACTS[act][0], **ACTS[act][1])
    for version in FhirVersion:
        bundle = written(proposal, version, CATALOGUE.codes)
        assert resources(bundle, "CarePlan")
        ordered = {
            line.preparation.id for s in proposal.plan.steps for line in s.lines if line.tablets
        }
        assert bool(resources(bundle, "MedicationRequest")) or not ordered
        assert resources(bundle, "ServiceRequest")
    page = sheet_html(proposal, CATALOGUE, service_version="0.1.0").decode()
    assert all(reading in page for reading in ("Labs", "TSH"))
    assert calendar_of(proposal, CATALOGUE, service_version="0.1.0")


@pytest.mark.parametrize("place", PLACES)
def test_the_chart_begins_at_the_pools_of_today_and_not_at_steady_state(place):
    proposal = proposal_of(PLACES[place], Act.CONTINUE)
    drawn = charted(proposal, proposal.plan, CATALOGUE)
    (lean,) = [c for c in proposal.plan.forecasts[0].coverage if c.basis_id == drawn.leanest]
    assert drawn.own.coverage.value[-1] == pytest.approx(lean.at_end, abs=1e-9)
    lowest = min(drawn.own.coverage.value)
    assert lowest == pytest.approx(lean.lowest.value, abs=2e-3)  # by the day, not in between


@pytest.mark.parametrize("act", ACTS)
def test_the_terminal_shows_every_act(act, capsys):
    proposal = proposal_of(PLACES["in mid-climb"], ACTS[act][0], **ACTS[act][1])
    show(proposal, CATALOGUE, why=True)
    assert proposal.plan.rationale[3].title[:20] in capsys.readouterr().out
