"""What the findings demand together, and when one set of demands is as tight as another."""

import pytest

from crossgrain.safety.facts import Constraints, Demand, constraints_from


def test_demands_are_as_tight_only_where_the_limit_is_not_missing() -> None:
    slowly, freely = Constraints(slowly=True), Constraints(tsh_every_days=28)
    assert slowly.as_tight_as(slowly)
    assert slowly.as_tight_as(freely)
    assert freely.as_tight_as(Constraints())
    assert not freely.as_tight_as(slowly)


@pytest.mark.parametrize(
    ("demand", "expected"),
    [
        (Demand.SLOWLY, Constraints(slowly=True, codes=("rule",))),
        (Demand.LT4_MOST_GENEROUS, Constraints(lt4_at_least_most_generous=True, codes=("rule",))),
        (Demand.TSH_IN_PREGNANCY, Constraints(tsh_every_days=28, codes=("rule",))),
    ],
)
def test_each_demand_binds_one_thing_and_names_the_rule_that_asked(
    demand: Demand, expected: Constraints
) -> None:
    assert constraints_from({"rule": frozenset({demand}), "quiet": frozenset()}, 28) == expected
