"""What the findings demand of the planner, beyond what is shown on the page."""

from dataclasses import dataclass
from enum import StrEnum


class Demand(StrEnum):
    """What one rule may ask of the planner; the spelling used in the rules file."""

    SLOWLY = "slowly"
    LT4_MOST_GENEROUS = "lt4-at-least-most-generous"
    TSH_IN_PREGNANCY = "tsh-as-in-pregnancy"
    TOO_MUCH_WEIGHS = "too-much-weighs"
    TOO_LITTLE_WEIGHS = "too-little-weighs"


@dataclass(frozen=True, slots=True)
class Constraints:
    """Limits on a plan.

    Attributes
    ----------
    slowly : the old medicine tapers, and the pace is `cautious`, whatever was asked for; so the
        climb begins with the smallest orderable increment
    lt4_at_least_most_generous : a move to LT4 starts at no less than the largest target of
        the sourced bases, at once or in overlap, and is exempt from 'never larger'
    tsh_every_days : TSH at least this often from day 0, or ``None``
    too_much_weighs, too_little_weighs : the taper leans away from more, or from less, hormone
        than before: the policy table says by how much
    codes : the findings that asked for any of it, so that the plan can name its reasons
    """

    slowly: bool = False
    lt4_at_least_most_generous: bool = False
    tsh_every_days: int | None = None
    too_much_weighs: bool = False
    too_little_weighs: bool = False
    codes: tuple[str, ...] = ()

    def as_tight_as(self, other: "Constraints") -> bool:
        """Whether the limit on the rise of T3 in `other` stands here too.

        The pregnancy exemption raises LT4, not T3, so it is no part of the order.

        >>> Constraints(slowly=True).as_tight_as(Constraints())
        True
        >>> Constraints().as_tight_as(Constraints(slowly=True))
        False
        """
        return self.slowly >= other.slowly


def constraints_from(
    demands: dict[str, frozenset[Demand]], tsh_every_days: int | None = None
) -> Constraints:
    """Join what the raised findings demand.

    Parameters
    ----------
    demands : finding code → its demands
    tsh_every_days : how often TSH is drawn where a finding demands it
    """
    asked = frozenset().union(*demands.values())
    return Constraints(
        slowly=Demand.SLOWLY in asked,
        lt4_at_least_most_generous=Demand.LT4_MOST_GENEROUS in asked,
        tsh_every_days=tsh_every_days if Demand.TSH_IN_PREGNANCY in asked else None,
        too_much_weighs=Demand.TOO_MUCH_WEIGHS in asked,
        too_little_weighs=Demand.TOO_LITTLE_WEIGHS in asked,
        codes=tuple(code for code, wanted in demands.items() if wanted),
    )
