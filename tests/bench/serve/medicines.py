"""Orders for thyroid medicines, by product and tablet or by ingredient and dose, and for others."""

from .shapes import RXNORM, Chart, Json, concept, quantity
from .switches import GRAIN_60, GRAIN_65, LT3, LT4, Taken

_INGREDIENTS = {
    LT4: ("10582", "levothyroxine", "ug"),
    LT3: ("10814", "liothyronine", "ug"),
    GRAIN_60: ("10572", "thyroid (USP)", "mg"),
    GRAIN_65: ("10572", "thyroid (USP)", "mg"),
}
# RxNorm clinical drugs: value set 2.16.840.1.113883.3.464.1003.196.12.1354 and RxNorm itself.
_TABLETS = {
    (LT4, 75): "966222", (LT4, 88): "966253", (LT4, 100): "892246",
    (GRAIN_60, 30): "313387", (GRAIN_60, 60): "313391", (GRAIN_60, 90): "313393",
    (GRAIN_60, 120): "208545", (GRAIN_60, 180): "198278",
    (GRAIN_65, 32.5): "347151", (GRAIN_65, 65): "313396", (GRAIN_65, 97.5): "1041814",
    (GRAIN_65, 130): "198277", (GRAIN_65, 195): "315234",
}  # fmt: skip
_WORDS = {"ug": ("mcg", "microgram"), "mg": ("mg", "milligram")}
_WEEKDAYS = ["mon", "tue", "wed", "thu", "fri"]
_WEEKEND = ["sat", "sun"]
_TABLET = quantity(1, "tablet", "{tbl}")


def order(
    chart: Chart, taken: Taken, since: int, *, as_tablets: bool, ended: int | None = None
) -> None:
    """An order for a thyroid medicine, that of a product or that of an ingredient."""
    code, name, unit = _INGREDIENTS[taken.preparation]
    short, word = _WORDS[unit]
    text = f"{name} {taken.strength:g} {short} oral tablet"
    dose = quantity(taken.strength, word, unit)
    doses = [(dose, _daily(taken.times_a_day))]
    if taken.weekend is not None:
        text = f"{name} oral tablets"
        at_the_weekend = quantity(taken.weekend, word, unit)
        doses = [
            (dose, _daily(1) | {"dayOfWeek": _WEEKDAYS}),
            (at_the_weekend, _daily(1) | {"dayOfWeek": _WEEKEND}),
        ]
    elif as_tablets:
        code = _TABLETS.get((taken.preparation, taken.strength), code)
        doses = [(_TABLET, _daily(taken.times_a_day))]
    chart.orders(concept(RXNORM, code, text), doses, since, ended)


def order_of_another(chart: Chart, code: str, words: str, since: int, ended: int | None) -> None:
    """An order for any other medicine: a tablet a day."""
    chart.orders(concept(RXNORM, code, words), [(_TABLET, _daily(1))], since, ended)


def _daily(times: int) -> Json:
    return {"frequency": times, "period": 1, "periodUnit": "d"}
