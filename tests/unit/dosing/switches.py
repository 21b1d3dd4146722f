"""Regimens, wishes and plans in few words."""

from dataclasses import replace
from fractions import Fraction

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.dosing.bases import Basis
from crossgrain.dosing.kinetics import Intake
from crossgrain.dosing.moves import Products, step
from crossgrain.dosing.plan import Plan, PriorTherapy
from crossgrain.dosing.planner import plan_switch
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.steps import Step
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.dosing.wish import Tables, Wish

CATALOGUE: Catalogue = load_catalogue()
COMBINING = CATALOGUE.policy.combining
PREPARATIONS = CATALOGUE.preparations
LT4 = PREPARATIONS["levothyroxine"]
LT3 = PREPARATIONS["liothyronine"]
GRAIN_60 = PREPARATIONS["desiccated-thyroid-60"]
GRAIN_65 = PREPARATIONS["desiccated-thyroid-65"]
FIXED = PREPARATIONS["fixed-ratio-4-1"]
SHORT = {"lt4": LT4, "lt3": LT3, "mg60": GRAIN_60, "mg65": GRAIN_65, "fixed": FIXED}
KINETICS = CATALOGUE.kinetics.default
GRAIN = CATALOGUE.bases[0].content
BASES = {basis.id: basis for basis in CATALOGUE.bases}
STEERING = tuple(basis for basis in CATALOGUE.bases if basis.sets_checkpoint)


def regimen(**daily: int | str | Fraction) -> Regimen:
    """A daily regimen, e.g. ``regimen(lt4=100, mg60=30)``."""
    return Regimen(
        tuple(DoseLine(SHORT[key], (Fraction(amount),)) for key, amount in daily.items())
    )


def tables(
    family: Preparation = GRAIN_60,
    bases: tuple[Basis, ...] = CATALOGUE.bases,
    lt4: Preparation = LT4,
    lt3: Preparation = LT3,
) -> Tables:
    """What the planner works from: the shipped tables, but for what is named."""
    return Tables(
        bases,
        Products(lt4, lt3, family),
        CATALOGUE.kinetics,
        CATALOGUE.policy,
        CATALOGUE.cross_checks,
    )


def wish(target: Target, **wanted: object) -> Wish:
    """A wish at the service's defaults, but for what is named."""
    default = Wish(target, "practice", "standard", PriorTherapy.OVERLAP, COMBINING.mixture())
    return replace(default, **wanted)


def plan(taken: Regimen, target: Target, *, by: Tables | None = None, **wanted: object) -> Plan:
    """The plan of a switch."""
    return plan_switch(taken, wish(target, **wanted), by or tables(family_of(taken)))


def family_of(taken: Regimen) -> Preparation:
    """The strength family that a regimen takes, 60 mg where it takes none."""
    families = [line.preparation for line in taken if line.preparation.mg_per_grain]
    return families[0] if families else GRAIN_60


def stocked(
    preparation: Preparation, *strengths: int | str, scored: bool = True, coded: bool = True
) -> Preparation:
    """A preparation in these strengths alone, all scored or none, all with a code or none."""
    listed = tuple(Fraction(strength) for strength in strengths)
    return replace(
        preparation,
        strengths=listed,
        scored=frozenset(listed if scored else ()),
        coded=frozenset(listed if coded else ()),
    )


def amounts(period: Step) -> dict[str, Fraction]:
    """Daily amounts of a step, by preparation id."""
    return {line.preparation.id: line.amount for line in period.lines}


def t3_ug(period: Step) -> Fraction:
    """Swallowed T3 in a step, µg per day."""
    return sum((line.preparation.t3_ug(line.amount) for line in period.lines), Fraction(0))


def by_id(dose: TargetDose, family: Preparation) -> dict[str, Fraction]:
    """A target dose as labelled amounts by preparation id, zeros left out."""
    labelled = {
        LT4.id: dose.lt4_ug,
        LT3.id: dose.lt3_ug,
        family.id: dose.grains * family.mg_per_grain,
    }
    return {key: amount for key, amount in labelled.items() if amount}


def increment(preparation: Preparation, pace_id: str) -> Fraction:
    """The step in which a medicine climbs at a pace."""
    return step(preparation, CATALOGUE.policy.pace(pace_id))


def swallowed(daily: dict[str, Fraction]) -> Intake:
    """The hormone in daily amounts by preparation id, worked out by hand."""
    t4_ug = lt3_ug = desiccated_t3_ug = 0.0
    for key, amount in daily.items():
        preparation = PREPARATIONS[key]
        t4_ug += float(amount * preparation.t4_ug_per_unit)
        t3 = float(amount * preparation.t3_ug_per_unit)
        if preparation.mg_per_grain:
            desiccated_t3_ug += t3
        else:
            lt3_ug += t3
    return Intake(t4_ug, lt3_ug, desiccated_t3_ug)
