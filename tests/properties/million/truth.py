"""A record with what is true of it: what is taken, and what stands against a switch."""

from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

from tests.properties.million.dosages import Json
from tests.properties.million.medicines import Taken
from tests.properties.million.reference import (
    CHARTS,
    EXACT,
    FIXED,
    LT4,
    Amounts,
    Wish,
    lt4_equivalent,
    t3_ug,
    target_on,
)

HEART = {
    "atrial-fibrillation",
    "heart-failure",
    "coronary-disease",
    "unstable-angina",
    "infarction",
}


@dataclass(slots=True)
class Person:
    """A record, what is asked of it, and what is true of it."""

    number: int
    version: str
    as_of: date
    start: date
    bundle: Json
    taken: list[Taken]
    wish: Wish
    chart: str
    pace: str
    prior_therapy: str
    amounts: Amounts
    """What is taken a day, by medicine."""
    fate: str = "read"
    """``read``; ``asked`` where a dose cannot be told; ``refused`` where it is no FHIR."""
    age: int | None = None
    female: bool = True
    pregnant: bool = False
    steroid: bool = False
    others: set[str] = field(default_factory=set)
    """Other medicines, by name."""
    fast: bool = False
    """A resting heart rate above 100 within ninety days."""
    pork: bool = False
    conditions: dict[str, int | None] = field(default_factory=dict)
    """Condition and the days since it began."""
    tsh: Fraction | None = None
    """Of a fresh final result, mIU/L."""
    draft: str | None = None
    """The medicine of a draft order in the record."""

    @property
    def cautious(self) -> bool:
        """Whether heart or age allow only a slow overlap (labels, ATA 2014)."""
        return bool(HEART & self.conditions.keys()) or (self.age or 0) >= 65

    @property
    def tsh_limit(self) -> int:
        """The TSH above which it is high, mIU/L: 4, and 6 from 70 years on (ATA 2014)."""
        return 6 if (self.age or 0) >= 70 else 4

    def holds(self) -> list[str]:
        """What a series must wait for, as far as the record alone says (labels; Am Fam Physician
        2017;95:710; ATA 2014)."""
        lt4 = sum(a for m, a in self.amounts.items() if m in (LT4, FIXED))
        against = {key: key in self.conditions for key in HEART - {"unstable-angina", "infarction"}}
        against |= {
            "age-65-or-over": (self.age or 0) >= 65,
            "lt4-high-today": lt4 > 200,
            "amiodarone": "amiodarone" in self.others,
            "heart-rate-high": self.fast,
            "adrenal-insufficiency-treated": "adrenal" in self.conditions and self.steroid,
        }
        return [code for code, stands in against.items() if stands]

    def stops(self) -> list[str]:
        """What no series may be proposed with, by the reference's rules."""
        own = self.amounts
        aim = target_on(self.chart, self.wish, lt4_equivalent(self.chart, own))
        more_t3 = t3_ug(aim) > t3_ug(own) + EXACT
        rises = more_t3 or any(
            lt4_equivalent(chart, aim) > 1.05 * lt4_equivalent(chart, own) + EXACT
            for chart in CHARTS
        )
        infarction = self.conditions.get("infarction")
        desiccated = self.wish.target.startswith("desiccated")
        against = {
            "under-18": self.age is not None and self.age < 18,
            "hypothyroidism-not-established": bool(self.conditions)
            and "hypothyroidism" not in self.conditions
            and not (self.tsh is not None and self.tsh > self.tsh_limit),
            "adrenal-insufficiency": "adrenal" in self.conditions and not self.steroid,
            "thyrotoxicosis": "thyrotoxicosis" in self.conditions and rises,
            "tsh-suppressed": self.tsh is not None and self.tsh < Fraction("0.1") and rises,
            "recent-myocardial-infarction": infarction is not None and infarction < 92,
            "unstable-angina": "unstable-angina" in self.conditions,
            "pregnant-t3-target": (self.pregnant or "pregnant" in self.conditions)
            and self.wish.target != "levothyroxine",
            "allergy-pork": self.pork and desiccated,
        }
        return [code for code, stands in against.items() if stands]
