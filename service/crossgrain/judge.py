"""A draft order in a record, judged as written against what the patient takes."""

from collections.abc import Sequence

from crossgrain.catalogue import Catalogue
from crossgrain.dosing.regimens import Regimen
from crossgrain.fhir.read.record import MedicineEntry, Record
from crossgrain.safety.judgement import Ending, OrderJudgement, judge_order
from crossgrain.safety.order import order_numbers


def judge(
    record: Record, orders: Sequence[MedicineEntry], basis_id: str, catalogue: Catalogue
) -> OrderJudgement:
    """Judge the orders, taken together as one regimen, on every basis.

    Raises
    ------
    DomainError
        where nothing is taken now, or no chart that steers a plan reaches the doses.
    """
    order = Regimen(tuple(line for entry in orders for line in entry.lines))
    numbers = order_numbers(
        record.regimen,
        order,
        catalogue.bases,
        catalogue.kinetics.default,
        float(catalogue.rules.judgement["horizon"].value),
    )
    return judge_order(numbers, basis_id, ending(record, orders), catalogue.rules)


def ending(record: Record, orders: Sequence[MedicineEntry]) -> Ending:
    """What the record itself says of the medicines that the orders do not carry on."""
    start = min(entry.first_day or 0 for entry in orders)
    ordered = {line.preparation.kind for entry in orders for line in entry.lines}
    replaced = {entry.replaced for entry in orders}
    others = [
        entry
        for entry in record.current
        if entry.reference not in replaced
        and not {line.preparation.kind for line in entry.lines} <= ordered
    ]
    if all(entry.last_day is not None and entry.last_day <= start for entry in others):
        return Ending.ENDS
    if all(entry.last_day is not None for entry in others):
        return Ending.RUNS
    return Ending.UNKNOWN
