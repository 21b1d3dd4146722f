"""Plans made before, kept for the next patient on the same doses.

A plan follows from doses, a wish and tables alone. In a day of prescribing the same few tablets
come up again and again, and one order is often judged three times while it is written. So the
plans asked for lately are kept, without whose they were: the places that a dose was read from
and the patient's weight and results are left out, and put into the rationale anew each time.
"""

from dataclasses import replace
from functools import lru_cache

from crossgrain.dosing.comparison import compare
from crossgrain.dosing.plan import BasisRow, Plan
from crossgrain.dosing.planner import PlanDraft, draft_of, finished, numbered
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Mixture, Target
from crossgrain.dosing.wish import Tables, Wish

MOST_KEPT = 1024
"""About 25 kB each."""


class KeptPlans:
    """The planner over one set of tables, with its plans of late.

    Parameters
    ----------
    tables : what it works from; never to change
    most : how many plans are kept, the least lately asked for dropped first; 0 keeps none
    """

    def __init__(self, tables: Tables, most: int = MOST_KEPT) -> None:
        self.tables = tables

        @lru_cache(maxsize=most)
        def rows(regimen: Regimen, target: Target, mixture: Mixture) -> tuple[BasisRow, ...]:
            return compare(regimen, tables.bases, target, mixture)

        @lru_cache(maxsize=most)
        def draft(regimen: Regimen, wish: Wish) -> PlanDraft:
            return draft_of(regimen, wish, tables, rows(regimen, wish.target, wish.mixture))

        self._rows, self._draft = rows, draft

    def compare(self, regimen: Regimen, target: Target, mixture: Mixture) -> tuple[BasisRow, ...]:
        """The same as `comparison.compare` gives over the same tables."""
        return self._rows(numbered(regimen), target, mixture)

    def plan_switch(self, regimen: Regimen, wish: Wish) -> Plan:
        """The same as `planner.plan_switch` gives, and raises, over the same tables."""
        whoever = replace(wish, weight_kg=None, need_said=None)
        draft = self._draft(numbered(regimen), whoever)
        return finished(draft, regimen, wish, self.tables.cross_checks)

    @property
    def found(self) -> tuple[int, int]:
        """How often a plan was at hand, and how often it had to be made."""
        asked = self._draft.cache_info()
        return asked.hits, asked.misses
