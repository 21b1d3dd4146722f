"""What is asked of the results of one draw, in FHIRPath: each is there once, usable, as it says.

An expression is evaluated on a Bundle of the draw: its Observations, and the answers to the
questionnaire of how it goes. It needs nothing else: thresholds, units and the days of the draw are
literals, and a laboratory's range is read from the result itself.

https://hl7.org/fhirpath/N1/
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum
from fractions import Fraction

from crossgrain.names.identity import HOW_IT_GOES
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import LabCode
from crossgrain.reading.codesystems import Loinc
from crossgrain.safety.facts import Analyte
from crossgrain.safety.results import TshLimits, Whose

LabCodes = Mapping[str, LabCode]
"""What the codes of results say."""


@frozen
class Window:
    """The days of a draw, both included: from that on which blood is drawn to the decision's."""

    first: str
    last: str


@frozen
class Draw:
    """Where the results stand: their codes, and their days where they are of one plan."""

    labs: LabCodes
    window: Window | None = None


_QUANTITY = "value.ofType(Quantity)"
VALUE = f"{_QUANTITY}.value"
BOTTOM, TOP = "referenceRange.low.value", "referenceRange.high.value"
MIDDLE = f"({BOTTOM} + {TOP}) / 2"
_ONE_FOR_ALL = (
    "referenceRange.count() {count} and referenceRange.all((type.empty() or"
    " type.coding.exists(code = 'normal')) and appliesTo.empty() and age.empty())"
)
"""A laboratory's own range that applies to everyone."""
GOAL_RANGE = "referenceRange.where(type.coding.exists(code = 'therapeutic'))"
"""HL7's code for the range that is aimed at: terminology.hl7.org, referencerange-meaning."""


def own_limit(end: str, otherwise: Fraction) -> str:
    """An end of the result's own range of TSH, else this limit."""
    own = f"referenceRange.{end}"
    return f"iif({own}.exists(), {own}.value, {tsh_decimal(otherwise)})"


def tsh_decimal(limit: Fraction) -> str:
    """A limit of TSH as FHIRPath writes a decimal: every digit, and one at least."""
    written = decimal(limit)
    return written if "." in written else f"{written}.0"


NEVER = "false"
"""Of what no result decides."""
_MEANT = "status != 'entered-in-error'"
_SETTLED = "status in ('final' | 'amended' | 'corrected')"
_TSH_UNITS = "('m[IU]/L' | 'u[IU]/mL' | 'mU/L' | 'uU/mL')"
"""The UCUM codes of one and the same unit."""


def _listed(own_ids: Iterable[str]) -> str:
    return " | ".join(f"'{own_id}'" for own_id in own_ids)


def _yes_to(*own_ids: str) -> str:
    return f"item.where(linkId in ({_listed(own_ids)})).answer.where(value = true)"


_OF_A_FAST_HEART = ("palpitations",)
_OF_TOO_MUCH = (*_OF_A_FAST_HEART, "jitters", "sleeplessness")
_ASKED = (*_OF_TOO_MUCH, "chest-pain")
"""The questions of the questionnaire that have a say; each must be answered."""
_ANSWERS = (
    "entry.resource.ofType(QuestionnaireResponse).where("
    f"(questionnaire = '{HOW_IT_GOES}' or questionnaire.startsWith('{HOW_IT_GOES}|'))"
    f" and {_MEANT})"
)
_ALL_ANSWERED = (
    "status in ('completed' | 'amended') and item.linkId.isDistinct() and"
    f" item.where(linkId in ({_listed(_ASKED)}) and answer.value.count() = 1).count() ="
    f" {len(_ASKED)} and {_yes_to('chest-pain')}.empty()"
)
"""Each is answered, and there is no pain in the chest."""


class Signs(StrEnum):
    """What of the answers and the pulse a condition asks for."""

    NOTHING = "nothing"
    CALM = "no sign of too much"
    UNWELL = "a sign of too much"
    FAST = "palpitations or a fast pulse"
    NOT_FAST = "neither"


@frozen
class Asking:
    """Writes expressions over one draw."""

    draw: Draw
    limits: TshLimits

    def all_of(self, of: Mapping[Analyte, str], told: Signs = Signs.NOTHING) -> str:
        """True where there is exactly one result of each test, each is as it says, and so is
        what was told."""
        return self._single(of, told, [self._is(test, says) for test, says in of.items()])

    def any_of(self, of: Mapping[Analyte, str], told: Signs) -> str:
        """The same where it is enough that one of the results is as it says."""
        usable = [self._is(test, "true") for test in of]
        either = " or ".join(self._is(test, says) for test, says in of.items())
        return self._single(of, told, [*usable, f"({either})"])

    def _single(self, of: Mapping[Analyte, str], told: Signs, holds: Sequence[str]) -> str:
        single = [f"{self._results(test)}.count() = 1" for test in of]
        if told is not Signs.NOTHING:
            single.append(f"{_ANSWERS}.count() = 1")
        every = " and ".join((*holds, *self._told(told)))
        return f"iif({' and '.join(single)}, {every}, false)"

    def _results(self, test: Analyte) -> str:
        """Those of a test: of a draw there is one."""
        coded = _listed(code for code, known in self.draw.labs.items() if known.analyte is test)
        return (
            "entry.resource.ofType(Observation).where(code.coding.exists("
            f"system = '{Loinc.system}' and code in ({coded})) and {_MEANT})"
        )

    def _of_the_draw(self, element: str) -> Iterator[str]:
        """Its day is known, and is one of the draw's."""
        window = self.draw.window
        days = f" and $this >= '{window.first}' and $this <= '{window.last}'" if window else ""
        day = f"{element}.ofType(dateTime).toString().substring(0, 10)"
        yield f"{day}.exists(length() = 10{days})"

    def _is(self, test: Analyte, says: str) -> str:
        """The one result is usable, and is as it says."""
        usable = " and ".join(
            (
                _SETTLED,
                *self._of_the_draw("effective"),
                f"{VALUE}.exists() and {_QUANTITY}.comparator.empty()",
                *self._range_and_unit(test),
            )
        )
        return f"{self._results(test)}.all(iif({usable}, {says}, false))"

    def _range_and_unit(self, test: Analyte) -> Iterator[str]:
        ours = f"{_QUANTITY}.code in {_TSH_UNITS}"
        if test is not Analyte.TSH:
            yield _ONE_FOR_ALL.format(count="= 1")
            yield f"referenceRange.high.code = {_QUANTITY}.code"
            if test is Analyte.FREE_T4:
                yield f"referenceRange.low.code = {_QUANTITY}.code"
        elif self.limits.whose is Whose.GOAL:
            yield ours
            yield f"{GOAL_RANGE}.count() = 1"
            for end in ("low", "high"):
                yield f"{GOAL_RANGE}.{end}.code in {_TSH_UNITS}"
        else:
            yield ours
            yield _ONE_FOR_ALL.format(count="<= 1")
            yield f"referenceRange.select(low | high).all(code in {_TSH_UNITS})"

    def _told(self, told: Signs) -> Iterator[str]:
        if told is Signs.NOTHING:
            return
        fast = told in {Signs.FAST, Signs.NOT_FAST}
        none = f"{_yes_to(*(_OF_A_FAST_HEART if fast else _OF_TOO_MUCH))}.empty()"
        usable = " and ".join((_ALL_ANSWERED, *self._of_the_draw("authored")))
        if told in {Signs.CALM, Signs.NOT_FAST}:
            yield f"{_ANSWERS}.all({usable} and {none})"
            yield f"{self._fast_pulse()}.empty()"
        else:
            yield f"{_ANSWERS}.all({usable})"
            yield f"({_ANSWERS}.all({none}) and {self._fast_pulse()}.empty()).not()"

    def _fast_pulse(self) -> str:
        above = f"{_QUANTITY}.value > {tsh_decimal(self.limits.fast_pulse)}"
        return f"{self._results(Analyte.HEART_RATE)}.where({above})"
