"""One switch to plan: what is taken, what is wanted, and the tables it is planned by."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field, replace
from fractions import Fraction

from crossgrain.dosing.bases import Basis, Weights
from crossgrain.dosing.climb import Slot, wait_days
from crossgrain.dosing.exchange import Exchange
from crossgrain.dosing.kinetics import (
    ConstantIntake,
    Intake,
    Kinetics,
    KineticsTable,
    Pools,
    PoolWeights,
    after,
    steady,
)
from crossgrain.dosing.kits import Kit
from crossgrain.dosing.moves import Products, total_intake
from crossgrain.dosing.need import UNCHANGED
from crossgrain.dosing.policy import Pace, Policy
from crossgrain.dosing.preparations import Preparation, total
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.steps import LineDose, Stage, Step, SwitchPart
from crossgrain.dosing.tablets import DayDose
from crossgrain.dosing.taper import TIE, Leaning
from crossgrain.dosing.targets import Target
from crossgrain.names.values import frozen


@frozen
class Enabled:
    """A basis that steers this plan, with its weights at the old dose.

    `per_pool` turns pools into coverage of the old regimen.
    """

    basis: Basis
    lt4_equivalent_ug: Fraction
    weights: Weights
    per_pool: PoolWeights

    def coverage(self, intake: Intake) -> float:
        """Coverage at steady state on an intake: the ratio of this basis' chart."""
        return self.per_pool.of(intake)


@frozen
class SwitchCase:
    """Everything that stays the same while a plan is made.

    `regimen`, `old_intake` and `enabled` are of the regimen before day one, which coverage is
    measured against; `old` is what is taken when the plan begins, which differs from that only
    where a plan that is under way goes on. `home` are the strengths that the patient has, by
    preparation id; `going_on` are the medicines whose present supply serves while their dose stays;
    `largest_half` is the strongest tablet of an old medicine that may be broken; `leaning` is how
    the taper weighs too much against too little; `exchange` is given where the move is one between
    products.
    """

    regimen: Regimen
    target: Target
    products: Products
    pace: Pace
    policy: Policy
    kinetics_table: KineticsTable
    enabled: tuple[Enabled, ...]
    old_intake: Intake
    old: Mapping[str, tuple[Preparation, Fraction]]
    preparations: Mapping[str, Preparation]
    home: Mapping[str, frozenset[Fraction]]
    going_on: frozenset[str]
    largest_half: Mapping[str, Fraction]
    leaning: Leaning
    exchange: Exchange | None = None
    tsh_every_days: int | None = None
    """In pregnancy: the most days between two draws."""
    until_lt4_has_built_up: bool = False
    """In pregnancy: in an overlap no old medicine ends before that."""
    need: Fraction = UNCHANGED
    """What the patient needs, as a part of the old regimen."""
    beside: tuple[str, ...] = ()
    """The preparations that stay beside the target's, where no plan moves from one to the other."""
    taken: tuple[ConstantIntake, ...] = ()
    """What was taken from day one until the plan begins, where one is under way."""
    too_much: tuple[Intake, ...] = ()
    """The hormone of what was taken when labs since day one called it too much."""
    target_ids: tuple[str, ...] = field(init=False, compare=False)
    """The preparations of the target, then what stays beside them; the first is adjusted."""

    def __post_init__(self) -> None:
        ordered = (self.products.of(kind).id for kind in self.target.kinds)
        object.__setattr__(self, "target_ids", (*ordered, *self.beside))

    def begins(self, kinetics: Kinetics) -> Pools:
        """The pools when the plan begins: steady on the old regimen, then what was taken since."""
        pools = steady(self.old_intake)
        for period in self.taken:
            pools = after(kinetics, pools, period.intake, period.days)
        return pools

    @property
    def since_day_one(self) -> float:
        """Days from day one until the plan begins."""
        return sum(period.days for period in self.taken)

    @property
    def draws_apart(self) -> int:
        """The most days between two draws while doses change."""
        usual = self.policy.draws.apart_days
        return min(usual, self.tsh_every_days or usual)

    @property
    def lowers(self) -> Fraction:
        """By what need lowers every target: never above 1, for only labs raise a dose."""
        return min(self.need, UNCHANGED)

    @property
    def by_need(self) -> "SwitchCase":
        """The same case, with coverage measured against what is needed in the long run."""
        if self.need == UNCHANGED:
            return self
        part = float(self.need)
        enabled = (
            replace(e, per_pool=PoolWeights(*(weight / part for weight in e.per_pool)))
            for e in self.enabled
        )
        return replace(self, enabled=tuple(enabled))

    @property
    def kinetics(self) -> Kinetics:
        """The default parameters."""
        return self.kinetics_table.default

    @property
    def wait_days(self) -> int:
        """Days from a dose that will be kept to its labs."""
        return wait_days(self.kinetics, self.policy)

    def intake(self, amounts: Mapping[str, Fraction]) -> Intake:
        """The hormone in daily amounts, which are given by preparation id."""
        return total_intake((self.preparations[key], amount) for key, amount in amounts.items())

    def called_too_much(self, amounts: Mapping[str, Fraction]) -> bool:
        """Whether daily amounts are as much as labs called too much, on any basis in use.

        Without this, labs in range after a step back would lead up to the very dose that labs had
        called too much, and so on in turn.
        """
        if not self.too_much:
            return False
        intake = self.intake(amounts)
        return any(
            each.coverage(intake) >= each.coverage(then) - TIE
            for then in self.too_much
            for each in self.enabled
        )

    def t3_ug(self, amounts: Mapping[str, Fraction]) -> Fraction:
        """Swallowed T3 in daily amounts, which are given by preparation id; µg per day."""
        return total(self.preparations[key].t3_ug(amount) for key, amount in amounts.items())

    def periods(
        self, slots: Sequence[Slot], old: Sequence[Mapping[str, Fraction]]
    ) -> list[ConstantIntake]:
        """The intake over a schedule of new doses and the old doses chosen beside them."""
        return [
            ConstantIntake(slot.days, self.intake({**slot.amounts, **kept}))
            for slot, kept in zip(slots, old, strict=True)
        ]

    def steps(
        self,
        slots: Sequence[Slot],
        old: Sequence[Mapping[str, Fraction]],
        stages: Iterable[Stage],
        as_taken: Iterable[str],
        kits: Mapping[str, Kit],
    ) -> tuple[Step, ...]:
        """The schedule as orderable lines, made from the tablets of each medicine's kit.

        `as_taken` are the medicines that the patient still takes just as before, until the
        first step that changes them.
        """
        unchanged = set(as_taken)
        steps = []
        for slot, kept, stage in zip(slots, old, stages, strict=True):
            amounts = {**slot.amounts, **kept}
            unchanged = {key for key in unchanged if amounts.get(key) == self.old[key][1]}
            lines = tuple(
                self._line(key, amount, None if key in unchanged else kits[key])
                for key, amount in amounts.items()
                if amount
            )
            steps.append(Step(stage, slot.first_day, slot.first_day + slot.days - 1, lines))
        return tuple(steps)

    def _line(self, key: str, amount: Fraction, kit: Kit | None) -> LineDose:
        if kit is None:
            return LineDose(self.preparations[key], amount, self.part(key), None)
        return order_line(kit.preparation, amount, self.part(key), kit.day_dose(amount))

    def part(self, key: str) -> SwitchPart:
        """Which side of the switch a medicine is on."""
        if key not in self.target_ids:
            return SwitchPart.OLD
        return SwitchPart.SHARED if key in self.old else SwitchPart.NEW


def order_line(
    preparation: Preparation, amount: Fraction, part: SwitchPart, dose: DayDose
) -> LineDose:
    """An orderable day's dose as a line of a plan."""
    unlike = dose.times if len(set(dose.times)) > 1 else ()
    return LineDose(
        preparation, amount, part, dose.tablets, len(dose.times), dose.note, unlike, dose.week
    )
