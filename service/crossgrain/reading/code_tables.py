"""What codes mean in a record, which of them a proposal carries, and what every visit asks.

The questions stand in ``data/how_it_goes.toml`` and are published as a Questionnaire. An answer
counts only where its QuestionnaireResponse names that Questionnaire: in other words it would be
another question.

`codes` builds the tables. Reading looks plain strings up by system; what is given
out to be written is typed by code system.
"""

import re
from collections.abc import Mapping, Set
from dataclasses import dataclass, field, replace
from enum import StrEnum
from fractions import Fraction
from typing import Any

import msgspec

from crossgrain.dosing.bases import GrainContent
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.targets import Combining
from crossgrain.names.identity import HOW_IT_GOES
from crossgrain.names.numbers import Numbers
from crossgrain.names.values import frozen
from crossgrain.reading.codesystems import Code
from crossgrain.reading.concerns import ConcernTables
from crossgrain.reading.hearing import Phrasebook
from crossgrain.safety.facts import Analyte


class AnswerType(StrEnum):
    """What an item is answered with."""

    YES_OR_NO = "boolean"
    DAYS = "days"


class Item(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One question.

    Attributes
    ----------
    id : its linkId, and the name by which a rule looks for a yes
    text : the question as the patient reads it
    most : the largest number of days that it can be answered with
    """

    id: str
    text: str
    type: AnswerType
    source: str
    most: int = 0


class HowItGoes(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The questions in their order."""

    title: str = ""
    source: str = ""
    item: tuple[Item, ...] = ()


def names_how_it_goes(response: Mapping[str, Any]) -> bool:
    """Whether a QuestionnaireResponse answers these questions, whichever version of them."""
    named = response.get("questionnaire")
    return isinstance(named, str) and named.partition("|")[0] == HOW_IT_GOES


@frozen
class MedicineCode:
    """What one code says of a thyroid medicine.

    `strength` (in the preparation's unit) and `preparation` are ``None`` for a code that
    names only the ingredient; `per_ml` is what one mL of a solution holds, µg.
    """

    kind: Kind
    display: str
    preparation: Preparation | None = None
    strength: Fraction | None = None
    per_ml: Fraction | None = None

    def means_the_same(self, other: "MedicineCode") -> bool:
        """Whether both stand for one product, whatever each calls it."""
        return self._told == other._told

    @property
    def _told(self) -> tuple[object, ...]:
        return self.kind, self.preparation and self.preparation.id, self.strength, self.per_ml

    def leaves_room_for(self, other: "MedicineCode") -> bool:
        """Whether the other is the same, or tells the strength of a line whose strength is open.

        A code of an ingredient alone stands for every strength, and is never one of them.
        """
        without_strength = replace(other, strength=None, per_ml=None)
        return self.means_the_same(other) or (
            self.preparation is not None and self.means_the_same(without_strength)
        )


@frozen
class AliasPattern:
    """A deployer's name with a number in it: words, the strength, words.

    Attributes
    ----------
    words : the whole name; its only group is the number
    meaning : the product, without strength
    factor : what one of the number's unit is in the unit of the product line
    strengths : those that there are, in the unit of the product line
    """

    words: re.Pattern[str]
    meaning: MedicineCode
    factor: Fraction
    strengths: Set[Fraction]


@frozen
class OwnNames:
    """A deployer's own product names, in plain words.

    Attributes
    ----------
    whole : each name → what it means
    patterns : names with a strength in them
    leads : what opens a name with a number in it → the product, without strength, or ``None``
        where names of other products or with other numbers may open so
    inside : any of the names and openings within longer words, the longest first
    """

    whole: Mapping[str, MedicineCode] = field(default_factory=dict)
    patterns: tuple[AliasPattern, ...] = ()
    leads: Mapping[str, MedicineCode | None] = field(default_factory=dict)
    inside: re.Pattern[str] | None = None


BELIEVED_KEYS = ("record.order_days", "record.renewal_days", "record.pregnancy_days")
"""The numbers behind `Believed`, by their keys in the data files."""


@frozen
class Believed:
    """How long what a record says is believed, days.

    Attributes
    ----------
    order_days : an order or a statement without an end, until it is asked whether it is still taken
    renewal_days : a gap between two orders of one dose that is a renewal, not a change
    pregnancy_days : a pregnancy that was recorded once
    """

    order_days: int
    renewal_days: int
    pregnancy_days: int


def believed_from(numbers: Numbers) -> Believed:
    """Take them from the clinical numbers."""
    return Believed(*(int(numbers[key].value) for key in BELIEVED_KEYS))


_STROKE = re.compile(r"\bper\b")


def unit_spelling(written: str) -> str:
    """A unit without case, without spaces and with one micro sign.

    >>> unit_spelling("µIU per mL") == unit_spelling("\u03bciu / ml") == "uiu/ml"
    True
    """
    plain = written.casefold().replace("µ", "u").replace("μ", "u")
    return "".join(_STROKE.sub("/", plain).split())


@frozen
class LabUnit:
    """A unit of results: what it counts, and how many mIU/L, ng/L, pmol/L, 1/min or kg it is."""

    counts: str
    factor: Fraction


@dataclass(frozen=True, slots=True, eq=False)
class LabCode:
    """What one LOINC code says: the analyte, and whether it counts mass, moles or units.

    Made once for each code, so equal to itself alone.
    """

    analyte: Analyte
    kind: str
    display: str


@frozen
class CodedDrug:
    """A code with the display that goes with it."""

    code: Code
    display: str


@frozen
class DrugCodes:
    """The codes of a product: `drug` only where verified, `ingredient` wherever one exists."""

    ingredient: CodedDrug | None
    drug: CodedDrug | None


@frozen
class Plausible:
    """The mean daily amounts that are read without asking, in the preparation's unit."""

    low: Fraction
    high: Fraction
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class CodeTables:
    """Every code table, checked; loaded once, so equal to itself alone.

    Attributes
    ----------
    medicines : system → code → what it says, for thyroid hormone alone
    labs : LOINC code → analyte
    lab_names : names (folded) of results that decide, by which none is read → the usual one
    lab_units : each spelling of a unit of results that cannot be misread → the unit
    believed : how long what a record says is believed
    plausible : bounds per kind
    phrases : what stands beside a dose in instructions
    content : of a labelled grain, by which some tablets are named
    combining : within what a combination is asked for, by which a series of ours is known
    aliases : a deployer's own product names
    concerns : conditions, allergies and other medicines that a safety rule knows
    how_it_goes : what a patient is asked at every visit
    written : kind, or preparation and strength → the verified code that a proposal carries
    no_hormone, other_codes : names (folded) and codes by system of what a deployer says is no
        thyroid hormone
    """

    medicines: Mapping[str, Mapping[str, MedicineCode]]
    labs: Mapping[str, LabCode]
    lab_names: Mapping[str, str]
    lab_units: Mapping[str, LabUnit]
    believed: Believed
    plausible: Mapping[Kind, Plausible]
    phrases: Phrasebook
    content: GrainContent
    combining: Combining
    aliases: OwnNames = field(default_factory=OwnNames)
    concerns: ConcernTables = field(default_factory=ConcernTables)
    how_it_goes: HowItGoes = field(default_factory=HowItGoes)
    written: Mapping[tuple[str, Fraction | None], CodedDrug] = field(default_factory=dict)
    no_hormone: Set[str] = frozenset()
    other_codes: Mapping[str, Set[str]] = field(default_factory=dict)

    def codes_for(self, preparation: Preparation, strength: Fraction | None) -> DrugCodes:
        """The codes that a proposal for tablets of this strength carries."""
        return DrugCodes(
            ingredient=self.written.get((preparation.kind, None)),
            drug=self.written.get((preparation.id, strength)) if strength else None,
        )

    def marked(self, preparation: Preparation) -> Preparation:
        """The preparation with its marks for the strengths that have a verified code."""
        coded = (s for s in preparation.strengths if (preparation.id, s) in self.written)
        return replace(preparation, coded=frozenset(coded))
