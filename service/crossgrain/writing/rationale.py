"""An answer's working as FHIR Parameters: the parts that `rationale_parts` defines."""

from collections.abc import Iterator
from fractions import Fraction
from math import floor
from typing import Any

from crossgrain.dosing.bases import TrialStanding
from crossgrain.dosing.comparison import spread
from crossgrain.dosing.plan import (
    Band,
    BasisCoverage,
    BasisRow,
    Checkpoint,
    Extreme,
    Forecast,
    LineDose,
    Plan,
    Statement,
)
from crossgrain.dosing.targets import TargetDose
from crossgrain.dosing.wording import standing_words
from crossgrain.names.printing import exact_decimal
from crossgrain.safety.judgement import OrderJudgement
from crossgrain.safety.order import OrderReading
from crossgrain.words.doses import daily_dose, pieces
from crossgrain.writing.elements import plain, quantity, rounded
from crossgrain.writing.letterhead import Letterhead, Resource, Wording

Part = dict[str, Any]


def rationale(letter: Letterhead) -> Resource:
    """What was asked, how it was concluded, every basis, and both prior therapies."""
    parameters = list(_asked(letter))
    if letter.proposal.judgement:
        parameters.append(_group("order", *_order(letter, letter.proposal.judgement)))
    if letter.plan:
        parameters += _planned(letter, letter.plan)
    return {"resourceType": "Parameters", "id": "rationale", "parameter": parameters}


def _asked(letter: Letterhead) -> Iterator[Part]:
    request = letter.proposal.request
    yield _date("as-of", letter.authored)
    yield _date("start", letter.iso(0))
    if letter.proposal.target:
        yield _code("target", letter.proposal.target)
    yield _code("requested-basis", request.basis_id)
    yield _code("pace", request.pace)
    yield _code("prior-therapy", request.prior_therapy)


def _planned(letter: Letterhead, plan: Plan) -> Iterator[Part]:
    yield _code("planned-pace", plan.pace)
    yield _code("planned-prior-therapy", plan.prior_therapy)
    yield {"name": "need", "valueDecimal": exact_decimal(plan.need)}
    yield from map(_statement, plan.rationale)
    yield from _compared(plan.comparison, plan.basis_id)
    yield _aim(plan.aim, plan.aim_tablets)
    yield _checkpoint(letter.wording, plan.checkpoint)
    yield from _forecasts(letter.wording, plan.ways)


def _statement(statement: Statement) -> Part:
    return _group(
        "statement",
        _string("title", statement.title),
        _string("arithmetic", statement.arithmetic),
        *(_string("input", path) for path in statement.inputs),
        _string("source", statement.source),
    )


def _compared(comparison: tuple[BasisRow, ...], basis_id: str) -> tuple[Part, ...]:
    bases = tuple(_group("basis", *_basis(row, basis_id)) for row in comparison)
    factor = spread(comparison)
    if factor is None:
        return bases
    return (*bases, {"name": "spread", "valueDecimal": rounded(factor, 2)})


def _aim(aim: TargetDose, lines: tuple[LineDose, ...]) -> Part:
    tablets = (f"{daily_dose(line)}: {pieces(line)}" for line in lines)
    return _group("aim", *_dose(aim), *(_string("tablets", words) for words in tablets))


def _order(letter: Letterhead, judgement: OrderJudgement) -> Iterator[Part]:
    numbers = judgement.numbers
    for verdict in judgement.verdicts:
        yield _code("verdict", verdict)
    yield _code("decided-on", judgement.basis_id)
    yield _string("ending", judgement.ending.value)
    for basis in numbers.bases:
        yield _group(
            "basis",
            _code("id", basis.basis_id),
            _flag("sets-checkpoint", basis.steers),
            _daily("now", basis.now_lt4_ug),
            _daily("order", basis.order_lt4_ug),
            _group("switched", *_reading(letter, basis.switched)),
            _group("both", *_reading(letter, basis.both)),
        )
    yield _daily("t3-now", numbers.t3_now_ug)
    yield _daily("t3-switched", numbers.t3_switched_ug)
    yield _daily("t3-both", numbers.t3_both_ug)
    yield _ratio("t3-exposure-switched", numbers.exposure_switched.value)
    yield _ratio("t3-exposure-both", numbers.exposure_both.value)


def _reading(letter: Letterhead, reading: OrderReading) -> Iterator[Part]:
    yield _daily("lt4-equivalent", reading.lt4_ug)
    yield _ratio("ratio", float(reading.ratio))
    yield from _range(letter.wording, reading.coverage.lowest, reading.coverage.highest)


def _basis(row: BasisRow, chosen: str) -> Iterator[Part]:
    yield from basis_head(row)
    yield _flag("chosen", row.basis_id == chosen)
    if row.lt4_equivalent_ug is not None:
        yield _daily("lt4-equivalent", row.lt4_equivalent_ug)
    if row.target:
        yield from _dose(row.target)
    if row.refused:
        yield _string("refused", row.refused)
    if row.basis.standing:
        yield evidence_part(row.basis.standing)


def basis_head(row: BasisRow) -> Iterator[Part]:
    """What a basis is and says, as `BASIS_HEAD` lists it."""
    yield _code("id", row.basis_id)
    yield _string("statement", row.basis.statement)
    yield _string("source", row.basis.source)
    yield _code("grade", row.basis.grade)
    yield _flag("sets-checkpoint", row.sets_checkpoint)


def evidence_part(standing: TrialStanding) -> Part:
    """How a basis fared against published comparisons."""
    parts: list[Part] = [{"name": "comparisons", "valueInteger": standing.held}]
    if standing.typical is not None:
        parts.append(_ratio("typical", float(standing.typical)))
    return _group("evidence", *parts, _string("words", standing_words(standing)))


def _dose(dose: TargetDose) -> Iterator[Part]:
    if dose.lt4_ug:
        yield _daily("lt4", dose.lt4_ug)
    if dose.lt3_ug:
        yield _daily("lt3", dose.lt3_ug)
    if dose.grains:
        yield {"name": "grains", "valueDecimal": rounded(dose.grains, 3)}


def _checkpoint(wording: Wording, checkpoint: Checkpoint) -> Part:
    return _group("checkpoint", *_waiting(wording, checkpoint))


def _waiting(wording: Wording, checkpoint: Checkpoint) -> Iterator[Part]:
    yield _code("set-by", checkpoint.set_by)
    yield from _dose(checkpoint.dose)
    if checkpoint.held_above:
        yield _group("held", *_dose(checkpoint.held))
    yield _date("reached-on", wording.iso(checkpoint.day))
    yield _date("labs-on", wording.iso(checkpoint.lab_day))
    yield _date("decision-on", wording.iso(checkpoint.decision_day))
    for rung in checkpoint.ladder:
        yield _group("rung", _code("basis", rung.basis_id), *_dose(rung.target))


def _forecasts(wording: Wording, forecasts: tuple[Forecast, ...]) -> tuple[Part, ...]:
    return tuple(
        _group("forecast", *_forecast(wording, forecast, chosen=place == 0))
        for place, forecast in enumerate(forecasts)
    )


def _forecast(wording: Wording, forecast: Forecast, *, chosen: bool) -> Iterator[Part]:
    yield _code("prior-therapy", forecast.prior_therapy)
    yield _flag("chosen", chosen)
    for coverage in forecast.coverage:
        yield _group("coverage", *_coverage(wording, coverage))
    for coverage in forecast.of_need:
        yield _group("coverage-of-need", *_coverage(wording, coverage))
    yield _group(
        "t3-exposure",
        *_range(wording, *forecast.t3_exposure),
        _ratio("at-end", forecast.t3_exposure_at_end),
    )
    if forecast.t4_pool:
        yield _group("t4-pool", *_range(wording, *forecast.t4_pool))
    pool = quantity(rounded(forecast.t4_pool_end_ug, 1), "ug")
    yield {"name": "t4-pool-end", "valueQuantity": pool}
    yield _date("steady-on", wording.iso(forecast.steady_day))
    if forecast.band:
        yield _group("band", *_band(forecast.band))


def _band(band: Band) -> Iterator[Part]:
    for name, (low, high) in (
        ("lowest-coverage", band.lowest_coverage),
        ("highest-t3-exposure", band.highest_t3_exposure),
    ):
        yield _ratio(f"{name}-from", low)
        yield _ratio(f"{name}-to", high)


def _coverage(wording: Wording, coverage: BasisCoverage) -> Iterator[Part]:
    yield _code("basis", coverage.basis_id)
    yield from _range(wording, coverage.lowest, coverage.highest)
    yield _ratio("at-end", coverage.at_end)
    yield _flag("secant", coverage.secant)


def _range(wording: Wording, lowest: Extreme, highest: Extreme) -> Iterator[Part]:
    for name, extreme in (("lowest", lowest), ("highest", highest)):
        yield _ratio(name, extreme.value)
        yield _date(f"{name}-on", wording.iso(floor(extreme.day)))


def _group(name: str, *parts: Part) -> Part:
    return {"name": name, "part": list(parts)}


def _string(name: str, text: str) -> Part:
    return {"name": name, "valueString": plain(text)}


def _code(name: str, code: str) -> Part:
    return {"name": name, "valueCode": str(code)}


def _date(name: str, iso: str) -> Part:
    return {"name": name, "valueDate": iso}


def _flag(name: str, value: bool) -> Part:
    return {"name": name, "valueBoolean": value}


def _ratio(name: str, value: float) -> Part:
    return {"name": name, "valueDecimal": rounded(value, 3)}


def _daily(name: str, value: Fraction) -> Part:
    return {"name": name, "valueQuantity": quantity(rounded(value, 1), "ug/d")}
