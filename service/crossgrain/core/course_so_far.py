"""The course of a patient until a visit, with a plan or without one: what a visit looks at.

`doses_so_far`, `place_in_plan` and `labs_so_far` look at it, one thing each; `standing` puts them
together.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.catalogue import Catalogue
from crossgrain.core.proposal import DEFAULT_FAMILY, SwitchRequest
from crossgrain.core.propose import CAUTIOUS, at_home_in, family_in
from crossgrain.core.running import (
    RunningSeries,
    wish_of,
)
from crossgrain.core.visiting import (
    Since,
    course_alarm,
    doses_taken,
    too_fast,
    turned_back,
)
from crossgrain.dosing.moves import ordered_amounts, ordered_as
from crossgrain.dosing.onward import Act, Dated
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target
from crossgrain.dosing.wish import Wish
from crossgrain.names.values import frozen
from crossgrain.reading.record import MarkedOrder, MedicineEntry, Question, Record
from crossgrain.reading.series_mark import ActTaken, SeriesFacts
from crossgrain.safety.assess import before_plan, constraints
from crossgrain.safety.facts import T3_TARGETS, Constraints, Demand, Facts, Intent, Known
from crossgrain.safety.labs_since import LabsRead
from crossgrain.safety.results import is_pregnant
from crossgrain.safety.rule import Finding, Severity
from crossgrain.safety.visit import (
    Lateness,
    News,
    Position,
    Stock,
    Visit,
)

NEW_FINDING = "new-finding"
"""The reason of a visit that answered what was new in the record."""
MOVES_ON = {Act.BRANCH, Act.TURN_BACK}
Doses = Mapping[str, Fraction]
"""The daily amount by product line, in its unit."""


def about_today(record: Record) -> str:
    """Where a question about the dose of today points: at what is taken now."""
    return record.current[0].path if record.current else record.root


def facts_in(facts: Facts, series: SeriesFacts | None) -> Facts:
    """What the safety rules look at at a visit; `series` is ``None`` where no plan runs."""
    if series is None:
        return replace(facts, at_visit=True)
    made_for_pregnancy = series.most_generous or turned_back(series)
    return replace(facts, at_visit=True, in_series=True, made_for_pregnancy=made_for_pregnancy)


class ToBeAnswered(Exception):
    """What must be answered first.

    Parameters
    ----------
    questions : by FHIRPath
    """

    def __init__(self, *questions: Question) -> None:
        super().__init__()
        self.questions = questions


@frozen
class CourseSoFar:
    """What every question of a visit looks at. `series` is ``None`` where no plan runs."""

    record: Record
    series: RunningSeries | None
    request: SwitchRequest
    catalogue: Catalogue
    target: Target | None = None
    beside: frozenset[Kind] = frozenset()

    @property
    def facts(self) -> SeriesFacts | None:
        return self.series.facts if self.series else None

    @property
    def _marked(self) -> tuple[MarkedOrder, ...]:
        return self.series.marked if self.series else ()

    @property
    def acts(self) -> tuple[ActTaken, ...]:
        return self.facts.acts if self.facts else ()

    @property
    def since(self) -> Since:
        """From the day after the last visit; without one, from day one."""
        if self.acts:
            return Since((self.acts[-1].day - self.record.as_of).days + 1)
        return Since(self.day_one)

    @property
    def day_one(self) -> int:
        """The first day of the plan; without one, of the year that is looked back on."""
        if self.facts is None:
            return -self.catalogue.visits.yearly_days
        return (self.facts.day_one - self.record.as_of).days

    def doses(self, regimen: Regimen) -> Doses:
        """A regimen in the product lines that orders are made from."""
        products = self.catalogue.plans[self.family].tables.products
        return ordered_amounts(regimen, products)

    @property
    def family(self) -> str:
        """Of the plan, else of what is taken."""
        if self.facts:
            return self.facts.family
        return family_in(self.record.current) or self.request.desiccated_family or DEFAULT_FAMILY

    @property
    def heads_for(self) -> Target:
        """What is adjusted: of the plan, else of what is taken; after turning back, LT4."""
        if turned_back(self.facts):
            return Target.LEVOTHYROXINE
        return self.target or (self.facts.target if self.facts else Target.LEVOTHYROXINE)

    @property
    def decided(self) -> bool:
        """Whether labs have led on from the checkpoint, or a visit back from the plan."""
        return any(act.act in MOVES_ON for act in self.acts) or self._branch_begun()

    def _branch_begun(self) -> bool:
        """Whether an order of one of the checkpoint's options was signed and has begun."""
        return any(
            one.signed
            and one.mark.ordered is not None
            and bool(one.mark.ordered.branch)
            and one.mark.ordered.first_day <= self.record.as_of
            for one in self._marked
        )

    def limits(self, position: Position) -> tuple[Constraints, tuple[Finding, ...]]:
        """What the safety rules say of going on from here, and what they demand of a plan.

        In pregnancy every plan from here on is one of levothyroxine alone, so what is demanded is
        what such a plan must honour, also where the one that runs has T3.
        """
        facts = facts_in(self.record.facts, self.facts)
        target = self.heads_for
        climbing = position is Position.CLIMB
        intent = Intent(target, climbing and target in T3_TARGETS, climbing, self.beside)
        rules = self.catalogue.rules
        found = binding = before_plan(facts, intent, rules)
        if is_pregnant(facts):
            alone = Intent(Target.LEVOTHYROXINE, t3_rises=False, hormone_rises=climbing)
            binding = before_plan(facts, alone, rules)
        return constraints(binding, rules), found

    def news(self, position: Position, findings: Iterable[Finding]) -> tuple[Finding, ...]:
        """The holds on a rise of a climb that no visit, nor day one, has weighed.

        What is dated later than the last of them is new. Without a date, or with that of an onset
        long ago, it is where it would have had the plan climb at the cautious pace, and did not.

        Parameters
        ----------
        findings : what the safety rules raise today
        """
        if self.facts is None or position is not Position.CLIMB:
            return ()
        earlier = replace(self, record=replace(self.record, facts=self._facts_before()))
        _, known = earlier.limits(position)
        weighed = {(each.code, origin) for each in known for origin in (*each.origins, "")}
        holds = (each for each in findings if each.severity is Severity.HOLD)
        return tuple(
            each
            for each in holds
            if any((each.code, origin) not in weighed for origin in (*each.origins, ""))
            or self._should_have_slowed(each)
        )

    def _facts_before(self) -> Facts:
        """What was known by the last visit, or on day one."""
        last = self.acts[-1].day if self.acts else self.facts.day_one if self.facts else None
        by = (last - self.record.as_of).days if last else 0

        def known(listed: tuple[Known, ...] | None) -> tuple[Known, ...] | None:
            if listed is None:
                return None
            return tuple(each for each in listed if each.day is None or each.day <= by)

        facts = self.record.facts
        return replace(
            facts,
            conditions=known(facts.conditions),
            allergies=known(facts.allergies),
            medicines=known(facts.medicines),
            goals=known(facts.goals),
        )

    def _should_have_slowed(self, finding: Finding) -> bool:
        """Whether a plan made with a finding would be slower, and no visit has answered it since.

        Age comes by itself, and is no news.
        """
        rule = self.catalogue.rules.before.get(finding.code)
        slows = rule is not None and Demand.SLOWLY in rule.demands and bool(rule.keys)
        paced = self.facts is None or self.facts.pace == CAUTIOUS
        return slows and not paced and all(act.reason != NEW_FINDING for act in self.acts)

    def visit(
        self,
        position: Position,
        lateness: Lateness,
        labs: LabsRead,
        taken: Sequence[Dated],
        findings: Sequence[Finding],
        news: Sequence[Finding] = (),
    ) -> Visit:
        """Every dimension of the table but how often the same was answered before."""
        facts = self.record.facts
        return Visit(
            position=position,
            alarm=course_alarm(facts, self.facts, findings, self.catalogue),
            taking=doses_taken(facts, taken, self.since, self.catalogue),
            too_fast=too_fast(facts, self.since, self.catalogue.rules),
            labs=labs.says,
            schedule=lateness,
            stock=Stock.OUT if self._out_of_stock() else Stock.AS_PLANNED,
            news=News.HOLD if news else News.NONE,
        )

    def _out_of_stock(self) -> bool:
        """Whether a strength that an order to come is for cannot be had."""
        named = {preparation_id for preparation_id, _ in self.request.stock}
        ahead = (
            (one.mark.ordered.preparation_id, one.mark.ordered.strength)
            for one in self._marked
            if one.mark.ordered
            and one.mark.ordered.last_day > self.record.as_of
            and not one.mark.ordered.branch
        )
        return any(each[0] in named and each not in self.request.stock for each in ahead)

    def ends(self) -> tuple[tuple[str, int], ...]:
        """The last day of today's dose in its orders by product line, where all have one."""
        later = (self.request.start - self.record.as_of).days
        return tuple(
            (key, max(last for last in days if last is not None) - later)
            for key, entries in self._ordered_today().items()
            if None not in (days := [entry.lasts_until for entry in entries])
        )

    def changing(self) -> frozenset[str]:
        """The product lines of which an order that is followed today gives another dose later."""
        return frozenset(
            key
            for key, entries in self._ordered_today().items()
            if any(entry.lasts_until != entry.last_day for entry in entries)
        )

    def _ordered_today(self) -> Mapping[str, Sequence[MedicineEntry]]:
        """The entries of what is taken today, by product line."""
        products = self.catalogue.plans[self.family].tables.products
        found: dict[str, list[MedicineEntry]] = defaultdict(list)
        for entry in self.record.current:
            for line in entry.lines:
                found[ordered_as(line.preparation, products).id].append(entry)
        return found

    def wish(self, limits: Constraints) -> Wish:
        """As on day one; tablets and what findings ask as of today."""
        facts = self.record.facts
        made = wish_of(self.facts) if self.facts else self._own_wish()
        return replace(
            made,
            pace_id=CAUTIOUS if limits.slowly else made.pace_id,
            lt4_at_least_most_generous=made.lt4_at_least_most_generous
            or limits.lt4_at_least_most_generous,
            tsh_every_days=limits.tsh_every_days,
            too_much_weighs=made.too_much_weighs or limits.too_much_weighs,
            too_little_weighs=made.too_little_weighs or limits.too_little_weighs,
            at_home=at_home_in(self.record),
            stock=tuple(sorted(set(self.request.stock))),
            weight_kg=facts.weight_kg,
        )

    def _own_wish(self) -> Wish:
        return Wish(
            target=self.target or Target.LEVOTHYROXINE,
            basis_id=self.request.basis_id,
            pace_id=self.request.pace,
            prior_therapy=PriorTherapy.OVERLAP,
            mixture=self.request.mixture,
            weekly_pattern=self.request.weekly_pattern,
            lt3_doses=self.request.lt3_doses,
        )
