"""What can be picked out of words that are not read in full: enough to contradict a dose.

The words are gone through once. At each word the longest known thing is taken: a phrase that
leaves the dose as it is, a frequency, an amount, days of the week, dates, or a phrase that bears
on the taking and cannot be read. What is left over is heard in the other languages, as a whole or
by a phrase that tells wherever it stands; else it is said not to have been read.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from crossgrain.reading.names import beside_product
from crossgrain.reading.quantities import Amount, Dimension, unit_of_word
from crossgrain.reading.remembered import Remembered
from crossgrain.reading.schedule import (
    AMOUNT,
    COUNTED_PARTS,
    DAILY,
    DATES,
    ELSEWHERE,
    EXCEPT,
    LIST,
    LONGEST,
    ROUND,
    SPAN,
    TIMES,
    Schedule,
    on_weekdays,
    plain_words,
    times_a_day,
)
from crossgrain.reading.sig import Sig, amount_in, dates_in, days_at
from crossgrain.reading.sig_clauses import said_by
from crossgrain.reading.sig_languages import (
    Language,
    Spoken,
    read_sig,
    symbols_in,
    tokens_of,
)

LONGEST_HEARD = 2000
"""Characters: more than an instruction ever has, and little enough to be gone through at once."""


class Heard(msgspec.Struct, frozen=True):
    """What was made out in words, up to what cannot be read.

    Attributes
    ----------
    schedules : every frequency, with the days of the week where such are named
    amounts : every amount of a dose or of one tablet
    dates : first and last day, where both are named
    bearing : the first phrase that bears on the taking and cannot be read, or empty
    whole : nothing was left over
    """

    schedules: tuple[Schedule, ...] = ()
    amounts: tuple[Amount, ...] = ()
    dates: tuple[str, str] | None = None
    bearing: str = ""
    whole: bool = True


def _unnamed(pattern: str) -> str:
    """A pattern without the names of its groups, which stand more than once in the whole."""
    return re.sub(r"\(\?P<\w+>", "(?:", pattern)


_TABLETS_ELSEWHERE = (
    r"(?:(?P<few>\d{1,2}(?:[.,]5)?)|(?P<part>1/2)) ?"
    r"(?:tablett(?:en?|er|a)?|tabl|comprim[eé]s?|comprimidos?|compress[ae]|tableta?s?|cpr?|stk)(?!\w)"
)
_START = re.compile(r"(?<!\w)[\w/#]|\((?=icd|e\d|only if)|(?<!\w)\.(?=\d)")
_WORD = re.compile(r"\w*")


@dataclass(frozen=True, slots=True, eq=False)
class Phrasebook:
    """The phrases of instructions beside dose, frequency, days and dates, as patterns.

    Attributes
    ----------
    filler : what may stand beside the dose in an instruction that is read whole
    own : what the service itself writes around a dose
    opening : how such words begin that stand before it
    harmless : what leaves a coded dose as it is, besides these
    denying : what says that it is not taken, or not now
    bearing : what else bears on the taking and cannot be read
    neutral : words that say nothing of their own
    in_a_name : by what the name of a medicine carries an instruction
    own_notes : how the notes begin that the service itself writes
    begins : how any other note begins that is an instruction
    languages : the phrases of instructions in other languages

    Examples
    --------
    >>> book = Phrasebook(
    ...     filler="by mouth", own="in all", opening="first", harmless="as directed",
    ...     denying="hold", bearing="until", neutral="labs", in_a_name="hold",
    ...     own_notes="only if: ",
    ...     begins="take|stop",
    ... )
    >>> [s.per_day for s in book.heard_in("One tablet daily, as directed").schedules]
    [Fraction(1, 1)]
    >>> book.heard_in("1 tablet daily, hold until labs").bearing
    'hold'
    >>> book.denies("1 tablet daily, hold until labs")
    True
    >>> book.read_sig("1 tablet by mouth daily").parts[0].schedule.per_day
    Fraction(1, 1)
    """

    filler: str
    own: str
    opening: str
    harmless: str
    denying: str
    bearing: str
    neutral: str
    in_a_name: str
    own_notes: str
    begins: str
    languages: tuple[Language, ...] = ()
    _sigs: Remembered[Spoken, Sig | None] = field(init=False, repr=False)
    _heard: Remembered[Spoken, Heard] = field(init=False, repr=False)
    _named: Remembered[str, str] = field(init=False, repr=False)
    _own_note: re.Pattern[str] = field(init=False, repr=False)
    _beginning: re.Pattern[str] = field(init=False, repr=False)
    _denial: re.Pattern[str] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        read = partial(read_sig, filler=self._filler(), languages=self.languages)
        sigs = Remembered(read, lambda spoken: len(spoken.words))
        elsewhere = Elsewhere.of(self.languages)
        hear = partial(_heard_in, known=self._known(), elsewhere=elsewhere)
        heard = Remembered(hear, lambda spoken: len(spoken.words))
        carries = re.compile(rf"(?<![\w/])(?:{self.in_a_name})(?!\w)")
        named = Remembered(partial(_carried, carries=carries, elsewhere=elsewhere), len)
        object.__setattr__(self, "_sigs", sigs)
        object.__setattr__(self, "_heard", heard)
        object.__setattr__(self, "_named", named)
        object.__setattr__(self, "_own_note", re.compile(self.own_notes))
        object.__setattr__(self, "_beginning", re.compile(rf"(?:{self.begins})(?!\w)"))
        object.__setattr__(self, "_denial", re.compile(rf"(?<!\w)(?:{self.denying})(?!\w)"))

    def _filler(self) -> re.Pattern[str]:
        """What may stand beside the dose, and the signs between."""
        return re.compile(
            rf"(?:{self.opening}|(?:take (?:it |this )?)?(?:{self.filler}|{self.own})"
            rf"|\((?:{self.filler})\)|[,.]|-(?= [a-z]))(?!\w)"
        )

    def _known(self) -> re.Pattern[str]:
        """What may be heard, in the order of precedence at one place of the text."""
        return re.compile(
            r"(?:"
            rf"(?P<harmless>(?:{self.opening}|{self.harmless}|{self.filler}|{self.own})(?!\w))"
            rf"|(?P<when>{'|'.join(pattern.pattern for pattern, _ in TIMES)})"
            rf"|(?P<parts>{_unnamed(COUNTED_PARTS.pattern)})"
            rf"|(?P<amount>{_unnamed(AMOUNT.pattern)})"
            rf"|(?P<dates>{DATES.pattern})"
            rf"|(?P<days>{'|'.join(p.pattern for p in (SPAN, ROUND, LIST, EXCEPT))})"
            r"|(?P<one>(?:take|give) one\b)"
            rf"|(?P<foreign>{'|'.join(pattern.pattern for pattern, _ in ELSEWHERE)})"
            rf"|(?P<tablets>{_TABLETS_ELSEWHERE})"
            rf"|(?P<bearing>(?:{self.denying}|{self.bearing})(?!\w))"
            rf"|(?P<neutral>(?:{self.neutral})(?!\w))"
            r")"
        )

    def read_sig(self, words: str, language: str = "") -> Sig | None:
        """Read an instruction whole, or not at all; `language` is that of its resource."""
        return self._sigs[Spoken.of(words, language)]

    def heard_in(self, words: str, language: str = "") -> Heard:
        """What an instruction says of the dose, as far as it can be made out."""
        return self._heard[Spoken.of(words, language)]

    def carried_by(self, name: str) -> str:
        """The instruction that the name of a medicine carries, or nothing."""
        return self._named[name]

    def is_own_note(self, text: str) -> bool:
        """Whether a note is one that the service itself writes on its orders."""
        return self._own_note.match(plain_words(text)) is not None

    def begins_instruction(self, sentence: str) -> bool:
        """Whether a sentence of a note begins as an instruction does."""
        return self._beginning.match(plain_words(sentence)) is not None

    def denies(self, reason: str) -> bool:
        """Whether the reason of a status says somewhere that it is not taken."""
        return self._denial.search(plain_words(reason[:LONGEST_HEARD])) is not None


class Elsewhere(NamedTuple):
    """The languages other than English, and their phrases that tell wherever they stand.

    `telling` are those phrases by their first words.
    """

    languages: tuple[Language, ...]
    telling: Mapping[str, Sequence[tuple[str, ...]]]

    @classmethod
    def of(cls, languages: tuple[Language, ...]) -> "Elsewhere":
        """These languages."""
        telling: dict[str, list[tuple[str, ...]]] = {}
        for phrase in (phrase for language in languages for phrase in language.telling):
            if not any(language.takes_lightly(phrase) for language in languages):
                telling.setdefault(phrase[0], []).append(phrase)
        return cls(languages, telling)

    def heard_whole(self, spoken: Spoken, tokens: Sequence[str]) -> Heard | None:
        """What the words say in the languages that know all of them, where these agree."""
        spelled = {token for token in tokens if token.isalpha()}
        knowing = (each for each in self.languages if spelled and spelled <= each.vocabulary)
        said = {each.code: heard for each in knowing if (heard := _said_in(each, tokens))}
        if spoken.language in said:
            return said[spoken.language]
        first, *others = said.values() or [None]
        return first if all(other == first for other in others) else None

    def told_in(self, tokens: Sequence[str]) -> str:
        """The first phrase that tells, or nothing."""
        for place, token in enumerate(tokens):
            for phrase in self.telling.get(token, ()):
                here = tokens[place : place + len(phrase)]
                if len(here) == len(phrase) and all(map(_is_said, phrase, here)):
                    return " ".join(here)
        return ""


def _is_said(part: str, token: str) -> bool:
    return part == token or (part == "{n}" and token[0].isdecimal())


def _said_in(language: Language, tokens: Sequence[str]) -> Heard | None:
    """What words say in a language that knows all of them."""
    symbols = symbols_in(language, tokens)
    if symbols is None:
        return None
    said = said_by(symbols)
    if said is None:
        return Heard(bearing=" ".join(tokens))
    return Heard(said.schedules, said.amounts)


def _heard_in(spoken: Spoken, known: re.Pattern[str], elsewhere: Elsewhere) -> Heard:
    if len(spoken.words) > LONGEST_HEARD:
        return Heard(bearing="they are too long to be compared", whole=False)
    heard = _heard_in_english(plain_words(spoken.words), known)
    if (heard.whole and not heard.bearing) or len(spoken.words) > LONGEST:
        return heard
    tokens = [token for token in tokens_of(spoken.words) if token not in _MARKS]
    foreign = elsewhere.heard_whole(spoken, tokens)
    if foreign and not (heard.bearing and foreign.amounts):
        return foreign
    told = "" if heard.bearing else elsewhere.told_in(tokens)
    if told and not known.fullmatch(plain_words(told)):
        return replace(heard, bearing=told)
    return heard


def _carried(name: str, carries: re.Pattern[str], elsewhere: Elsewhere) -> str:
    rest = beside_product(name)
    return rest if carries.search(rest) or elsewhere.told_in(tokens_of(rest)) else ""


_MARKS = {":", ".", "!", "?", "*", '"'}
"""Signs that part sentences in other languages as well, and say nothing of a dose."""


def _heard_in_english(text: str, known: re.Pattern[str]) -> Heard:
    gathered = _Gathered()
    start = _START.search(text)
    while start and not gathered.bearing:
        found = known.match(text, start.start())
        if found:
            _HEAR[found.lastgroup or ""](gathered, found)
        else:
            gathered.whole = False
        end = found.end() if found else start.end()
        start = _START.search(text, end)
    return gathered.heard()


@dataclass(slots=True)
class _Gathered:
    schedules: list[Schedule] = field(default_factory=list)
    amounts: list[Amount] = field(default_factory=list)
    days: set[str] = field(default_factory=set)
    moments: set[str] = field(default_factory=set)
    dates: tuple[str, str] | None = None
    bearing: str = ""
    whole: bool = True

    def harmless(self, found: re.Match[str]) -> None:
        """Leaves the dose as it is."""

    def neutral(self, found: re.Match[str]) -> None:
        """Says nothing by itself, unless a time of day in it is one of several."""
        self.moments |= {name for name, words in _MOMENTS.items() if words.search(found[0])}

    def bears(self, found: re.Match[str]) -> None:
        self.bearing = self.bearing or found[0]

    def when(self, found: re.Match[str]) -> None:
        said = (m(r) for p, m in (*TIMES, *ELSEWHERE) if (r := p.fullmatch(found[0])))
        schedule = next(said, None)
        if schedule:
            self.schedules.append(schedule)
            self.neutral(found)
        else:
            self.bears(found)

    def amount(self, found: re.Match[str]) -> None:
        said = AMOUNT.match(found.string, found.start())
        amount = amount_in(said) if said else None
        self.amounts += [amount] if amount else []
        if amount is None:
            self.bears(found)

    def parts(self, found: re.Match[str]) -> None:
        """Two half tablets, which are one."""
        said = COUNTED_PARTS.fullmatch(found[0])
        unit = unit_of_word(said["unit"]) if said else None
        if said and unit:
            part = Fraction(1, 2 if said["part"] == "half" else 4)
            self.amounts.append(Amount(unit.dimension, int(said["count"]) * part * unit.factor))

    def pieces(self, found: re.Match[str]) -> None:
        """Tablets in another language."""
        few = found["few"]
        count = Fraction(few.replace(",", ".")) if few else Fraction(1, 2)
        self.amounts.append(Amount(Dimension.PIECE, count))

    def one(self, _: re.Match[str]) -> None:
        self.amounts.append(Amount(Dimension.PIECE, Fraction(1)))

    def dated(self, found: re.Match[str]) -> None:
        said = DATES.fullmatch(found[0])
        self.dates = dates_in(said) if said else None

    def on_days(self, found: re.Match[str]) -> None:
        said = days_at(found.string, found.start())
        self.days |= said[0] if said else set()

    def heard(self) -> Heard:
        schedules = self.schedules
        if len(self.moments) > 1 and all(said.per_day <= 1 for said in schedules):
            rare = [said for said in schedules if said != DAILY]
            schedules = [*rare, times_a_day(len(self.moments))]
        if self.days:
            each = {said.per_day for said in schedules if said.per_day >= 1} or {Fraction(1)}
            rare = [said for said in schedules if said.per_day < 1]
            days = frozenset(self.days)
            schedules = [*rare, *(on_weekdays(days, times) for times in sorted(each))]
        return Heard(
            tuple(dict.fromkeys(schedules)),
            tuple(dict.fromkeys(self.amounts)),
            self.dates,
            self.bearing,
            self.whole,
        )


_MOMENTS = {
    "morning": re.compile(r"(?<![a-z])(?:morning|q? ?am|mane)(?![a-z])"),
    "noon": re.compile(r"(?<![a-z])(?:noon|midday)(?![a-z])"),
    "later": re.compile(
        r"(?<![a-z])(?:afternoon|evening|night|nightly|q? ?pm|bed|bedtime|q?hs|nocte)(?![a-z])"
    ),
}
"""Times of day that are apart: at two of them two doses are taken."""

_HEAR: dict[str, Callable[[_Gathered, re.Match[str]], None]] = {
    "harmless": _Gathered.harmless,
    "when": _Gathered.when,
    "parts": _Gathered.parts,
    "amount": _Gathered.amount,
    "dates": _Gathered.dated,
    "days": _Gathered.on_days,
    "one": _Gathered.one,
    "foreign": _Gathered.when,
    "tablets": _Gathered.pieces,
    "bearing": _Gathered.bears,
    "neutral": _Gathered.neutral,
}
