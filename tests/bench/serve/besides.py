"""What an EHR sends besides, in the same mix at every size so that sizes can be compared."""

from collections.abc import Callable
from random import Random

from .medicines import order_of_another
from .results import free_t4, heart_rate, tsh, weight
from .shapes import Chart, quantity

# Codes of the rest are from memory; the service passes them over or looks at them and finds nothing
# that concerns it.
_OTHER_RESULTS = (
    ("2345-7", "Glucose", "mg/dL", 95, (70, 99)),
    ("2160-0", "Creatinine", "mg/dL", 0.9, (0.6, 1.2)),
    ("718-7", "Hemoglobin", "g/dL", 14, (12, 16)),
    ("2951-2", "Sodium", "mmol/L", 140, (135, 145)),
    ("2823-3", "Potassium", "mmol/L", 4.2, (3.5, 5.1)),
    ("4548-4", "Hemoglobin A1c", "%", 5.4, (4.0, 5.6)),
)
_OTHER_CONDITIONS = (
    ("38341003", "Hypertension"),
    ("195967001", "Asthma"),
    ("55822004", "Hyperlipidaemia"),
    ("396275006", "Osteoarthritis"),
    ("37796009", "Migraine"),
)
_OTHER_MEDICINES = (
    ("314076", "lisinopril 10 MG Oral Tablet"),
    ("617310", "atorvastatin 20 MG Oral Tablet"),
    ("860975", "metformin hydrochloride 500 MG Extended Release Oral Tablet"),
    ("197361", "amlodipine 5 MG Oral Tablet"),
    ("198405", "ibuprofen 100 MG Oral Tablet"),
)


def add_besides(chart: Chart, count: int, rng: Random) -> None:
    """Add so many resources that do not bear on the plan."""
    for add in rng.choices(list(_SHARES), list(_SHARES.values()), k=count):
        add(chart, rng)


def _other_result(chart: Chart, rng: Random) -> None:
    code, words, unit, middle, limits = rng.choice(_OTHER_RESULTS)
    value = quantity(round(middle * rng.uniform(0.85, 1.15), 1), unit, unit)
    chart.measured(code, words, value, _long_ago(rng), limits)


def _earlier_result(chart: Chart, rng: Random) -> None:
    rng.choice((tsh, tsh, free_t4, heart_rate, weight))(chart, rng, _long_ago(rng))


def _other_condition(chart: Chart, rng: Random) -> None:
    code, words = rng.choice(_OTHER_CONDITIONS)
    chart.has(code, words, _long_ago(rng), over=rng.random() < 0.5)


def _other_medicine(chart: Chart, rng: Random) -> None:
    code, words = rng.choice(_OTHER_MEDICINES)
    since = _long_ago(rng)
    ended = since - 30 if rng.random() < 0.7 else None
    order_of_another(chart, code, words, since, ended)


def _pressure(chart: Chart, rng: Random) -> None:
    chart.pressure(rng.randint(104, 148), _long_ago(rng))


def _visit(chart: Chart, rng: Random) -> None:
    chart.visit(_long_ago(rng))


def _rest(chart: Chart, rng: Random) -> None:
    kind = rng.choice(("Immunization", "Procedure", "DiagnosticReport", "DiagnosticReport"))
    chart.other(kind, _long_ago(rng))


def _long_ago(rng: Random) -> int:
    return rng.randint(61, 3600)


_SHARES: dict[Callable[[Chart, Random], None], int] = {
    _other_result: 36,
    _pressure: 10,
    _earlier_result: 8,
    _visit: 16,
    _other_condition: 8,
    _other_medicine: 8,
    _rest: 14,
}
"""Shares of our own making: of a long record most is results and visits."""
