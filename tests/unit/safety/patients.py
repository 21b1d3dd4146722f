"""An invented patient against whom no rule speaks, and the tables, for the tests of safety."""

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from importlib.resources import files
from typing import Any

from crossgrain.catalogue.charts import bases_from
from crossgrain.catalogue.numbers import grain_from, numbers_from, rules_from
from crossgrain.catalogue.pharmacology import kinetics_from, preparations_from
from crossgrain.dosing.bases import Basis
from crossgrain.dosing.kinetics import Kinetics
from crossgrain.dosing.preparations import Handful, Preparation
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import Target
from crossgrain.safety.assess import before_plan, unchecked
from crossgrain.safety.facts import Analyte, Facts, Intent, Known, Measurement, Sex
from crossgrain.safety.rule import Finding


def parsed(name: str) -> dict[str, Any]:
    """A shipped data file as `tomllib` reads it."""
    return tomllib.loads((files("crossgrain") / "data" / name).read_text("utf-8"))


NUMBERS = numbers_from(parsed("numbers.toml"), parsed("titration.toml"))
RULES = rules_from(parsed("safety_rules.toml"), NUMBERS)
PREPARATIONS: Mapping[str, Preparation] = preparations_from(
    parsed("preparations.toml")["preparation"], grain_from(NUMBERS), Handful(3, 4, 6)
)
BASES: tuple[Basis, ...] = bases_from(parsed("bases.toml")["basis"], grain_from(NUMBERS))
KINETICS: Kinetics = kinetics_from(parsed("kinetics.toml")).default

TO_LT4 = Intent(Target.LEVOTHYROXINE, t3_rises=False, hormone_rises=False)
TO_DESICCATED = Intent(Target.DESICCATED_THYROID, t3_rises=True, hormone_rises=False)
TO_LT3 = Intent(Target.LIOTHYRONINE, t3_rises=True, hormone_rises=False)


def regimen(**daily: str | int) -> Regimen:
    """A daily regimen: ``regimen(levothyroxine=100)``, in each preparation's own unit."""
    return Regimen(
        tuple(
            DoseLine(PREPARATIONS[name.replace("_", "-")], (Fraction(amount),), f"{name}-line")
            for name, amount in daily.items()
        )
    )


def tsh(value: str, day: int | None = -30, **more: Any) -> Measurement:
    """A TSH, a month old unless said otherwise."""
    return Measurement(Analyte.TSH, Fraction(value), day, "Observation/tsh", **more)


def pulse(value: int, day: int | None = -10) -> Measurement:
    """A resting heart rate."""
    return Measurement(Analyte.HEART_RATE, Fraction(value), day, "Observation/pulse")


def known(*keys: str, day: int | None = None, active: bool = True) -> tuple[Known, ...]:
    """Coded entries of a list, each with its own origin."""
    return tuple(Known(key, f"Known/{key}", day, active) for key in keys)


CLEAR = Facts(
    regimen=regimen(levothyroxine=100),
    age_years=40,
    weight_kg=Fraction(70),
    measurements=(tsh("2.0"), pulse(70)),
    conditions=known("hypothyroidism"),
    allergies=(),
    medicines=(),
    pregnant=False,
    regimen_changed_days_ago=400,
    sex=Sex.FEMALE,
    goals=(),
    indications=known("hypothyroidism"),
    stopped=(),
)
"""Everything is known and nothing speaks against a move to LT4."""


def patient(**changes: Any) -> Facts:
    """The clear patient, changed."""
    return replace(CLEAR, **changes)


def with_conditions(*keys: str, **more: Any) -> Facts:
    """The clear patient with further conditions."""
    return patient(conditions=CLEAR.conditions + known(*keys, **more))  # type: ignore[operator]


def with_labs(*measurements: Measurement) -> Facts:
    """The clear patient with these labs and the normal pulse."""
    return patient(measurements=(*measurements, pulse(70)))


def raised(facts: Facts, intent: Intent = TO_DESICCATED) -> dict[str, Finding]:
    """The findings before there is a plan, by code."""
    return {finding.code: finding for finding in before_plan(facts, intent, RULES)}


def not_checked(facts: Facts, intent: Intent = TO_DESICCATED) -> dict[str, tuple[str, ...]]:
    """The rules that were not checked and what each lacked."""
    return {entry.code: entry.lacks for entry in unchecked(facts, intent, RULES)}
