"""What a prescriber writes who settles a dose alone: orders without any mark of a plan."""

from tests.properties.course.answer import Json
from tests.properties.course.chart import ABOUT, Chart, iso
from tests.properties.course.physiology import daily
from tests.properties.course.stop_and_climb import INCREMENT, moved
from tests.properties.titration.figures import GRAIN_MG

TABLET = {"lt4": 25.0, "lt3": 5.0, "d60": 15.0, "d65": 16.25}
"""Of which everything is written by hand; of LT4 half of one is the least."""
WORDS = {
    "lt4": "levothyroxine sodium 25 microgram tablet",
    "lt3": "liothyronine sodium 5 microgram tablet",
    "d60": "desiccated thyroid 15 mg tablet",
    "d65": "desiccated thyroid 16.25 mg tablet",
}
SUPPLY_DAYS = 180
TYPES = "http://terminology.hl7.org/CodeSystem/dose-rate-type"
UCUM = "http://unitsofmeasure.org"


def settle(chart: Chart, day: int, direction: int) -> None:
    """From a day on one increment up or down, or the same; what else was ordered ends."""
    now = daily(chart.doses(day - 1))
    written = {medicine: _in_tablets(medicine, amount) for medicine, amount in now.items()}
    chart.prescribe(day, [_order(day, *one) for one in moved(written, direction).items()])


def _in_tablets(medicine: str, amount: float) -> float:
    """The nearest dose that the tablet makes, halves of LT4 among them."""
    grid = TABLET[medicine] / (2 if medicine == "lt4" else 1)
    return max(round(amount / grid), 1) * grid


def _order(day: int, medicine: str, amount: float) -> Json:
    twice = medicine == "lt3" and amount > INCREMENT["lt3"]
    times = ["MORN", "HS"] if twice else ["MORN"]
    first, rest = _parts(medicine, amount, len(times))
    doses = dict(zip(times, (first, *[rest] * (len(times) - 1)), strict=True))
    return {
        "resourceType": "MedicationRequest",
        "id": f"hand-{medicine}-{day}",
        "intent": "order",
        "status": "active",
        "subject": ABOUT,
        "authoredOn": iso(day),
        "medicationCodeableConcept": {"text": WORDS[medicine]},
        "dosageInstruction": [_instruction(day, medicine, *one) for one in doses.items()],
        "dispenseRequest": {
            "quantity": {"value": amount / TABLET[medicine] * SUPPLY_DAYS, "code": "{tbl}"},
            "expectedSupplyDuration": {"value": SUPPLY_DAYS, "system": UCUM, "code": "d"},
        },
    }


def _parts(medicine: str, amount: float, times: int) -> tuple[float, float]:
    """Whole tablets of LT3, the larger part in the morning."""
    if times == 1:
        return amount, 0.0
    evening = amount / 2 // TABLET[medicine] * TABLET[medicine]
    return amount - evening, evening


def _instruction(day: int, medicine: str, time: str, amount: float) -> Json:
    unit = "mg" if medicine in GRAIN_MG else "ug"
    bounds = {"start": iso(day), "end": iso(day + SUPPLY_DAYS - 1)}
    daily = {"frequency": 1, "period": 1, "periodUnit": "d", "when": [time]}
    return {
        "timing": {"repeat": {"boundsPeriod": bounds, **daily}},
        "doseAndRate": [
            _quantity("ordered", amount / TABLET[medicine], "{tbl}"),
            _quantity("calculated", amount, unit),
        ],
    }


def _quantity(kind: str, value: float, code: str) -> Json:
    coded = {"coding": [{"system": TYPES, "code": kind}]}
    return {"type": coded, "doseQuantity": {"value": value, "system": UCUM, "code": code}}
