"""What the findings demand together, and when one set of demands is as tight as another."""

from itertools import combinations

import pytest

from crossgrain.safety.constraints import Constraints, Demand, constraints_from

LIMITS = ("overlap_only", "cautious_only", "smallest_first_step")


@pytest.mark.parametrize("limit", LIMITS)
@pytest.mark.parametrize("others", [c for n in range(3) for c in combinations(LIMITS, n)])
def test_demands_are_as_tight_only_where_no_limit_is_missing(
    limit: str, others: tuple[str, ...]
) -> None:
    asked = Constraints(**{limit: True})
    less = Constraints(**{name: True for name in others if name != limit})
    assert not less.as_tight_as(asked)
    assert asked.as_tight_as(asked)
    assert Constraints(*[True] * len(LIMITS)).as_tight_as(asked)


@pytest.mark.parametrize(
    ("demand", "expected"),
    [
        (Demand.OVERLAP_ONLY, Constraints(overlap_only=True, codes=("rule",))),
        (Demand.CAUTIOUS, Constraints(cautious_only=True, codes=("rule",))),
        (Demand.SMALLEST_FIRST_STEP, Constraints(smallest_first_step=True, codes=("rule",))),
        (Demand.LT4_MOST_GENEROUS, Constraints(lt4_at_least_most_generous=True, codes=("rule",))),
        (Demand.TSH_IN_PREGNANCY, Constraints(tsh_every_days=28, codes=("rule",))),
    ],
)
def test_each_demand_binds_one_thing_and_names_the_rule_that_asked(
    demand: Demand, expected: Constraints
) -> None:
    assert constraints_from({"rule": frozenset({demand}), "quiet": frozenset()}, 28) == expected
