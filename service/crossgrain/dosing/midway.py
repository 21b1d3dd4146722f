"""A course under way as a case to plan: today's doses and pools, measured against day one."""

from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.branch_doses import Hold
from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.comparison import aimed_at, compare
from crossgrain.dosing.moves import (
    amounts_of,
    next_down,
    old_amounts,
    ordered_as,
    step,
    total_intake,
)
from crossgrain.dosing.need import UNCHANGED
from crossgrain.dosing.plan import BasisRow
from crossgrain.dosing.targets import TargetDose, dose_of
from crossgrain.dosing.underway import Amounts, Place, Underway, place_of
from crossgrain.dosing.wish import Tables, case_of, home_of
from crossgrain.names.values import frozen

NONE = Fraction(0)


@frozen
class Midway:
    """Where a plan from today on begins.

    Attributes
    ----------
    underway, tables : what it is made from
    case : its old doses are today's, its pools are those of today
    place : where in the plan as filed the patient is
    rows : the comparison of the regimen before day one
    """

    underway: Underway
    tables: Tables
    case: SwitchCase
    place: Place
    rows: tuple[BasisRow, ...]

    @property
    def checkpoint(self) -> Amounts:
        """The dose at which the climb waits, by preparation id; nothing where no plan runs."""
        dose = self.underway.checkpoint or TargetDose()
        return {p.id: amount for p, amount in amounts_of(dose, self.case.products)}

    @property
    def until_labs(self) -> int:
        """Days until the labs that speak of today's doses are read."""
        return max(self.case.wait_days - self.place.had, 0) + self.case.policy.results_days

    @property
    def kept_for(self) -> int:
        """Days on a dose whose labs were in range twice: two draws take at least so long."""
        return max(self.place.had, self.case.wait_days + self.case.draws_apart)

    @property
    def hold(self) -> Hold:
        """Where the patient stands today, as at a checkpoint whose labs are back."""
        case, now = self.case, self.place.now
        kept = {key: now.get(key, NONE) for key in case.target_ids}
        for_long = self.place.had >= case.policy.maintenance_days[-1]
        settled = self.underway.in_range_before or for_long
        main, *others = case.target_ids
        ahead = (main, *others) if self.underway.climbing else others
        leads_to = {key: amount for key, amount in self.checkpoint.items() if key in ahead}
        reaches = {key: self._short_of_too_much(key, leads_to[key]) for key in leads_to}
        return Hold(
            decision_day=0,
            pools=case.begins(case.kinetics),
            kept=kept,
            remainder={key: amount for key, amount in now.items() if key not in kept},
            checkpoint={**kept, **reaches},
            as_taken=frozenset(),
            home=case.home,
            proved=maintained(case, self.kept_for) if settled else (),
            short_of_too_much=reaches != leads_to,
        )

    def _short_of_too_much(self, key: str, amount: Fraction) -> Fraction:
        """How far a medicine is to climb beside what else is taken today."""
        case, now = self.case, self.place.now
        preparation, held = case.preparations[key], now.get(key, NONE)
        increment = step(preparation, case.pace)
        reaches = amount
        while reaches > held and case.called_too_much({**now, key: reaches}):
            reaches = max(next_down(preparation, increment, reaches), held)
        return reaches


def maintained(case: SwitchCase, kept_for: int) -> tuple[int, ...]:
    """The draws of maintenance still to come, days from today, on a dose taken so long; then
    yearly."""
    since = max(kept_for - case.wait_days - case.draws_apart, 0)
    days = case.policy.maintenance_days
    ahead = tuple(day - since for day in days if day - since > case.policy.results_days)
    return ahead or days[-1:]


def midway(underway: Underway, tables: Tables) -> Midway:
    """Make the case; raises as `planner.plan_switch` does, but not where nothing would change."""
    wish = underway.wish
    rows = compare(underway.original, tables.bases, wish.target, wish.mixture)
    if underway.checkpoint is None:
        rows = aimed_at(dose_of(underway.original), rows)
    first = case_of(underway.original, wish, tables, rows)
    old = old_amounts(underway.today, first.products)
    now = {key: amount for key, (_, amount) in old.items()}
    stays = sorted(key for key, (p, _) in old.items() if p.kind in underway.beside)
    first = replace(first, beside=tuple(stays))
    gap_days = tables.policy.onward.gap_days
    place = place_of(underway, now, first.products, first.target_ids, gap_days)
    planned = (ordered_as(p, first.products) for d in underway.planned for p, _ in d.amounts)
    known = {**{key: p for key, (p, _) in old.items()}, **{p.id: p for p in planned}}
    preparations, before = {**known, **first.preparations}, first.largest_half
    case = replace(
        first,
        old=old,
        preparations=preparations,
        home=home_of(old, wish),
        going_on=frozenset(),
        largest_half={  # of the weakest tablet in any case: of no other is half of it made
            key: max((now.get(key, NONE), before.get(key, NONE), *preparation.strengths[:1]))
            for key, preparation in preparations.items()
        },
        exchange=None,
        need=first.need if underway.checkpoint else UNCHANGED,
        taken=tuple(spell.intake for spell in place.past),
        too_much=tuple(
            total_intake((line.preparation, line.daily) for line in then)
            for then in underway.too_much
        ),
    )
    return Midway(underway, tables, case, place, rows)
