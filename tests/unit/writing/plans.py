"""Hand-made proposals for an invented clinic: every shape that an answer is written from.

The forecasts are invented numbers; nothing here checks dosing, only how it is written down.
"""

from dataclasses import replace
from datetime import date
from fractions import Fraction

from tests.unit.reading.records import CODES as READERS
from tests.unit.safety.patients import NUMBERS, RULES

from crossgrain.catalogue import load_catalogue
from crossgrain.core.proposal import Proposal, SwitchRequest
from crossgrain.dosing.bases import Basis, Grade
from crossgrain.dosing.plan import (
    Band,
    BasisCoverage,
    BasisRow,
    Branch,
    Checkpoint,
    Extreme,
    Forecast,
    LabDraw,
    LabReading,
    Plan,
    PriorTherapy,
    Rung,
    Statement,
)
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.steps import LineDose, Stage, Step, SwitchPart, courses
from crossgrain.dosing.supply import draws, prescriptions
from crossgrain.dosing.tablets import Piece, Tablets
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.reading.code_tables import CodedDrug, CodeTables, believed_from
from crossgrain.reading.codesystems import RxNorm
from crossgrain.reading.record import MedicineEntry, Question, Record, Unread
from crossgrain.safety.facts import Facts
from crossgrain.safety.results import tsh_limits
from crossgrain.safety.rule import Finding, Severity

CATALOGUE = load_catalogue()
COMBINING = CATALOGUE.policy.combining
PREPARATIONS = CATALOGUE.preparations
SUPPLY = CATALOGUE.policy.supply
LT4 = PREPARATIONS["levothyroxine"]
LT3 = PREPARATIONS["liothyronine"]
GRAIN_60 = PREPARATIONS["desiccated-thyroid-60"]
GRAIN_65 = PREPARATIONS["desiccated-thyroid-65"]
AS_OF = date(2024, 4, 29)
START = date(2024, 5, 1)

# RxNorm codes of a public value set, 2.16.840.1.113883.3.464.1003.196.12.1354; 10582 is
# the ingredient levothyroxine.
CODES = CodeTables(
    medicines={},
    labs=READERS.labs,
    lab_names=READERS.lab_names,
    lab_units={},
    believed=believed_from(NUMBERS),
    plausible={},
    phrases=READERS.phrases,
    content=READERS.content,
    combining=COMBINING,
    written={
        (GRAIN_60.id, Fraction(15)): CodedDrug(RxNorm("314267"), "thyroid (USP) 15 MG Oral Tablet"),
        (GRAIN_60.id, Fraction(60)): CodedDrug(RxNorm("313391"), "thyroid (USP) 60 MG Oral Tablet"),
        (LT4.kind, None): CodedDrug(RxNorm("10582"), "levothyroxine"),
    },
)


def taken(preparation, amount, part=SwitchPart.OLD):
    """The old medicine going on just as it is taken now."""
    return LineDose(preparation, Fraction(amount), part, None)


def dose(preparation, amount, part=SwitchPart.NEW, per_day=1, note=""):
    value = Fraction(amount)
    return LineDose(preparation, value, part, in_tablets(preparation, value), per_day, note)


def in_tablets(preparation, amount):
    """The strongest tablets first, the last of them broken where it must be: to be written only."""
    pieces, left = [], amount
    for strength in sorted(preparation.strengths, reverse=True):
        count = (
            left // (strength / 2) / 2 if strength == preparation.strengths[0] else left // strength
        )
        if count:
            pieces.append(Piece(strength, Fraction(count)))
            left -= strength * count
    assert not left, f"the fixture asks for {amount} of {preparation.id}"
    return Tablets(tuple(pieces))


def entry(preparation, *cycle, kind="MedicationRequest", number=1, **more):
    path = f"Bundle.entry[{number}].resource"
    lines = (DoseLine(preparation, tuple(map(Fraction, cycle)), f"{path}.dosageInstruction[0]"),)
    return MedicineEntry(
        reference=f"{kind}/old-{number}",
        resource_type=kind,
        path=path,
        lines=lines,
        status="active",
        **more,
    )


def record(*current, **more):
    regimen = Regimen(tuple(line for e in current for line in e.lines))
    return Record(
        as_of=AS_OF,
        patient_reference="Patient/demo-1",
        facts=Facts(regimen=regimen, age_years=44),
        current=current,
        references=("Patient/demo-1", *(e.reference for e in current), "Observation/tsh-1"),
        **more,
    )


def forecast(prior, lowest):
    pools = (Extreme(lowest, 20.5), Extreme(1.08, 60.0))
    coverage = tuple(
        BasisCoverage(basis, *pools, 0.97, secant=False) for basis in ("practice", "label")
    )
    band = Band((lowest - 0.1, lowest), (1.08, 1.2)) if lowest > 0.5 else None
    return Forecast(prior, coverage, pools, 1.02, pools, 612.25, 70, band)


def row(basis, target, equivalent="100", steers=True):
    return BasisRow(basis_of(basis, steers=steers), Fraction(equivalent), target)


def basis_of(basis, *, steers=True):
    return Basis(basis, f"{basis} says so", "example", Grade.LABEL, READERS.content, steers)


def labs(*days_and_purposes):
    return tuple(
        LabDraw(day, purpose, f"TSH, free T4 and free T3: {purpose}", day - 5, repeat)
        for day, purpose, repeat in days_and_purposes
    )


def branch(reading, steps, labs_after):
    made = prescriptions(courses(steps), SUPPLY, draws(labs_after))
    return Branch(reading, ("practice",), f"Do what {reading} asks for.", steps, labs_after, made)


def plan(target, aim, aim_line, steps, branches, prior=PriorTherapy.OVERLAP):
    hold = next(step for step in steps if step.stage is Stage.HOLD)
    other = PriorTherapy.STOP if prior is PriorTherapy.OVERLAP else PriorTherapy.OVERLAP
    waits = replace(aim, grains=Fraction(int(aim.grains * 4), 4))  # as the planner rounds it
    checkpoint = Checkpoint(
        dose=waits,
        held=waits,
        set_by="label",
        day=hold.first_day,
        lab_day=hold.last_day - 7,
        decision_day=hold.last_day + 1,
        branches=branches,
        ladder=(Rung(basis_of("label"), aim, waits),),
    )
    drawn = labs((0, "baseline", ()), (hold.last_day - 7, "checkpoint", ()))
    return Plan(
        target=target,
        basis_id="practice",
        pace="standard",
        prior_therapy=prior,
        comparison=(row("practice", aim), row("label", aim), row("ddd", aim, steers=False)),
        aim=aim,
        aim_tablets=(aim_line,),
        steps=steps,
        checkpoint=checkpoint,
        labs=drawn,
        prescriptions=prescriptions(courses(steps), SUPPLY, draws(drawn)),
        forecasts=(forecast(prior, 0.94), forecast(other, 0.31)),
        rationale=(
            Statement(
                "LT4-equivalent now",
                "100 × 1 = 100",
                ("Bundle.entry[1].resource.dosageInstruction[0]",),
                "example",
            ),
            Statement("Where the climb waits", "100 / 100 = 1 grain", (), "example"),
        ),
    )


def proposal(the_record, the_plan=None, target=Target.DESICCATED_THYROID, findings=(), **asked):
    request = SwitchRequest(
        as_of=AS_OF, start=START, target=target, **{"mixture": COMBINING.mixture(), **asked}
    )
    limits = tsh_limits(the_record.facts, RULES)
    return Proposal(request, target, the_record, findings, the_plan, limits)


HOLD = Finding(
    "heart-failure",
    "Heart failure",
    Severity.HOLD,
    "Heart failure is in the record.",
    "Agree the pace with the cardiologist.",
    ("Observation/tsh-1", "Bundle.entry[1].resource.dosageInstruction[0]"),
    "labels",
)
NOTE = Finding(
    "calcium", "Calcium taken", Severity.NOTE, "Calcium is taken.", "Keep it 4 h apart.",
    ("Bundle.entry[9].resource",), "labels", "Take calcium in the evening.",
)  # fmt: skip
STOP = Finding(
    "adrenal-insufficiency",
    "Adrenal insufficiency",
    Severity.STOP,
    "Uncorrected adrenal insufficiency.",
    "Settle it first.",
    (),
    "labels",
)


THREE = (LabReading.HIGH, LabReading.IN_RANGE, LabReading.LOW)
"""The branches of these plans; real ones have more."""


def levothyroxine_to_desiccated(**more):
    """LT4 100 by request, tapered while desiccated thyroid climbs to a grain."""
    steps = (
        Step(Stage.CLIMB, 0, 13, (taken(LT4, 100), dose(GRAIN_60, 15))),
        Step(Stage.CLIMB, 14, 27, (dose(LT4, 75, SwitchPart.OLD), dose(GRAIN_60, 30))),
        Step(Stage.CLIMB, 28, 41, (dose(LT4, 50, SwitchPart.OLD), dose(GRAIN_60, 45))),
        Step(Stage.HOLD, 42, 97, (dose(LT4, 50, SwitchPart.OLD), dose(GRAIN_60, 60))),
    )
    maintenance = (180, "maintenance", (270, 540))
    branches = (
        branch(
            LabReading.HIGH,
            (
                Step(Stage.BRANCH, 98, 111, (dose(LT4, 25, SwitchPart.OLD), dose(GRAIN_60, 75))),
                Step(Stage.BRANCH, 112, 200, (dose(GRAIN_60, 90),)),
            ),
            labs((154, "after-branch", ()), maintenance),
        ),
        branch(
            LabReading.IN_RANGE,
            (
                Step(
                    Stage.BRANCH, 98, 125, (dose(LT4, "12.5", SwitchPart.OLD), dose(GRAIN_60, 60))
                ),
                Step(Stage.BRANCH, 126, 200, (dose(GRAIN_60, 60),)),
            ),
            labs(maintenance),
        ),
        branch(
            LabReading.LOW,
            (Step(Stage.BRANCH, 98, 200, (dose(GRAIN_60, "52.5"),)),),
            labs((140, "after-branch", ())),
        ),
    )
    made = plan(
        Target.DESICCATED_THYROID,
        TargetDose(grains=Fraction(100, 88)),
        dose(GRAIN_60, "67.5"),
        steps,
        branches,
    )
    old = entry(LT4, 100, encounter="Encounter/e1", requester="Practitioner/p1")
    return replace(proposal(record(old), made, findings=(NOTE, HOLD)), **more)


def desiccated_to_levothyroxine():
    """Two grains by statement; it falls on a grid, and its remainder ends in the branches."""
    steps = (
        Step(Stage.CLIMB, 0, 6, (taken(GRAIN_65, 130), dose(LT4, 100))),
        Step(Stage.HOLD, 7, 62, (dose(GRAIN_65, "48.75", SwitchPart.OLD), dose(LT4, 100))),
    )
    stay = (
        Step(Stage.BRANCH, 63, 90, (dose(GRAIN_65, "48.75", SwitchPart.OLD), dose(LT4, 100))),
        Step(Stage.BRANCH, 91, 150, (dose(LT4, 112),)),
    )
    branches = (
        branch(LabReading.HIGH, (Step(Stage.BRANCH, 63, 150, (dose(LT4, 125),)),), ()),
        branch(LabReading.IN_RANGE, stay, ()),
        branch(LabReading.LOW, (Step(Stage.BRANCH, 63, 150, (dose(LT4, 88),)),), ()),
    )
    made = plan(
        Target.LEVOTHYROXINE, TargetDose(lt4_ug=Fraction(100)), dose(LT4, 100), steps, branches
    )
    old = entry(GRAIN_65, 130, kind="MedicationStatement", from_text=True)
    confirm = (Question("Bundle.entry[1].resource.dosage[0].text", "Is it once a day?"),)
    return proposal(record(old, confirm=confirm), made, Target.LEVOTHYROXINE)


def to_combination():
    """LT4 150 (shared) comes down as LT3 in two doses comes in; two orders carry the LT4."""
    steps = (
        Step(
            Stage.CLIMB,
            0,
            13,
            (taken(LT4, 150, SwitchPart.SHARED), dose(LT3, 5, note="Once a day.")),
        ),
        Step(Stage.HOLD, 14, 69, (dose(LT4, 125, SwitchPart.SHARED), dose(LT3, 10, per_day=2))),
    )
    stay = (replace(steps[1], stage=Stage.BRANCH, first_day=70, last_day=150),)
    up = (
        Step(Stage.BRANCH, 70, 150, (dose(LT4, 137, SwitchPart.SHARED), dose(LT3, 10, per_day=2))),
    )
    back = (
        Step(Stage.BRANCH, 70, 150, (dose(LT4, 125, SwitchPart.SHARED), dose(LT3, 5, per_day=2))),
    )
    branches = (
        branch(LabReading.HIGH, up, ()),
        branch(LabReading.IN_RANGE, stay, ()),
        branch(LabReading.LOW, back, ()),
    )
    aim = TargetDose(lt4_ug=Fraction(130), lt3_ug=Fraction(10))
    made = plan(Target.LT4_LT3, aim, dose(LT4, 125), steps, branches)
    old = (entry(LT4, 100, number=1), entry(LT4, 50, number=2))
    return proposal(record(*old), made, Target.LT4_LT3)


def stopped_at_once():
    """Prior therapy `stop`: the old order ends on day one."""
    steps = (
        Step(Stage.CLIMB, 0, 13, (dose(GRAIN_65, "16.25"),)),
        Step(Stage.HOLD, 14, 69, (dose(GRAIN_65, "32.5"),)),
    )
    branches = tuple(
        branch(reading, (Step(Stage.BRANCH, 70, 150, (dose(GRAIN_65, amount),)),), ())
        for reading, amount in zip(THREE, ("48.75", "32.5", "16.25"), strict=True)
    )
    made = plan(
        Target.DESICCATED_THYROID,
        TargetDose(grains=Fraction(1, 2)),
        dose(GRAIN_65, "32.5"),
        steps,
        branches,
        PriorTherapy.STOP,
    )
    return proposal(record(entry(LT4, 50)), made, prior_therapy=PriorTherapy.STOP)


def old_order_outlasts_the_series():
    """The old order stands as it is through the hold; two branches end it, one keeps it."""
    both = (taken(LT4, 50), dose(GRAIN_60, 15))
    steps = (Step(Stage.HOLD, 0, 55, both),)
    branches = (
        branch(LabReading.HIGH, (Step(Stage.BRANCH, 56, 120, (dose(GRAIN_60, 45),)),), ()),
        branch(
            LabReading.IN_RANGE,
            (
                Step(Stage.BRANCH, 56, 69, both),
                Step(Stage.BRANCH, 70, 120, (dose(LT4, 25, SwitchPart.OLD), dose(GRAIN_60, 30))),
            ),
            (),
        ),
        branch(LabReading.LOW, (Step(Stage.BRANCH, 56, 120, both),), ()),
    )
    made = plan(
        Target.DESICCATED_THYROID,
        TargetDose(grains=Fraction(1, 4)),
        dose(GRAIN_60, 15),
        steps,
        branches,
    )
    return proposal(record(entry(LT4, 50, kind="MedicationStatement")), made)


def stepping_back_to_nothing():
    """Five micrograms of LT3 beside half the LT4; the lowest branch leaves no medicine at all."""
    steps = (Step(Stage.HOLD, 0, 55, (dose(LT4, 25, SwitchPart.OLD), dose(LT3, 5))),)
    on = (Step(Stage.BRANCH, 56, 120, (dose(LT3, 10, per_day=2),)),)
    stay = (Step(Stage.BRANCH, 56, 120, (dose(LT3, 5),)),)
    branches = (
        branch(LabReading.HIGH, on, ()),
        branch(LabReading.IN_RANGE, stay, ()),
        branch(LabReading.LOW, (Step(Stage.BRANCH, 56, 120, ()),), ()),
    )
    aim = TargetDose(lt3_ug=Fraction(10))
    made = plan(Target.LIOTHYRONINE, aim, dose(LT3, 10), steps, branches)
    return proposal(record(entry(LT4, 50)), made, Target.LIOTHYRONINE)


def stop_outcome():
    return proposal(record(entry(LT4, 100)), findings=(NOTE, STOP, HOLD))


def data_required():
    questions = (
        Question("Bundle.entry[1].resource.dosageInstruction[0].text", "How many a day?"),
        Question("Bundle.entry[2].resource.status", "Is it still taken?"),
    )
    unread = (Unread("Bundle.entry[5].resource", "not a resource type that is read"),)
    return proposal(record(entry(LT4, 100), questions=questions, unread=unread), findings=(HOLD,))


PLANNED = {
    "LT4 to desiccated": levothyroxine_to_desiccated,
    "desiccated to LT4": desiccated_to_levothyroxine,
    "to LT4 and LT3": to_combination,
    "stopped at once": stopped_at_once,
    "old order outlasts": old_order_outlasts_the_series,
    "back to nothing": stepping_back_to_nothing,
}
EVERY = {**PLANNED, "stop outcome": stop_outcome, "data required": data_required}
