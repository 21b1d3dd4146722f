"""How often and on which days a dose is taken, by the cycle and by the times that words name."""

import re
from collections.abc import Callable
from fractions import Fraction

import msgspec

from crossgrain.reading.quantities import mean

_SPELLED = (
    ("½", " 1/2 "), ("¼", " 1/4 "), ("¾", " 3/4 "), ("\N{FRACTION SLASH}", "/"),
    ("–", "-"), ("—", "-"), ("\N{RIGHT SINGLE QUOTATION MARK}", "'"), ("µ", "u"), ("μ", "u"),
)  # fmt: skip
_NOT_COUNTED = r"(?<!\d )(?<!\bone )(?<!\btwo )(?<!\bthree )(?<!\bfour )"
_NO_NUMBER = r"(?! ?\d)"
"""Two half tablets are one tablet, and 2 1/2 are two and a half: the first is not read."""
_COUNTS = {"one": "1", "two": "2", "three": "3", "four": "4"}
_SAID_TWICE = re.compile(
    rf"\b(?P<n>[1-4]) ?\((?P<said>{'|'.join(_COUNTS)})\)"
    rf"|\b(?P<word>{'|'.join(_COUNTS)}) ?\((?P<m>[1-4])\)"
)
"""A number beside its own word: ``2 (two)``, ``one (1)``."""
_SHORTHAND = re.compile(r"^tk (\d(?: 1/2|\.5)?) t\b")
"""``TK 1 T``, as pharmacies abbreviate "take one tablet"."""
_NUMBER_WORDS = (
    (re.compile(r"\bthree[ -]quarters(?: of an?)?(?= tab)"), "3/4"),
    (re.compile(r"\bone and (?:a|one)[ -]half\b"), "1 1/2"),
    (re.compile(r"\b(?:one|a)[ -](half|quarter)(?: of)?(?: an?| one)?\b"), r"\1"),
    (re.compile(rf"\b{_NOT_COUNTED}half(?: of)?(?: an?| one)?\b"), "1/2"),
    (re.compile(rf"\b{_NOT_COUNTED}quarter(?: of)?(?: an?| one)?\b"), "1/4"),
    (re.compile(r"\b(\d+) (?:and|&) (?=\d+/\d+\b)"), r"\1 "),
    (re.compile(r"\bone(?= (?:tab|cap|grain))"), "1"),
    (re.compile(rf"\btwo\b{_NO_NUMBER}"), "2"),
    (re.compile(rf"\bthree\b{_NO_NUMBER}"), "3"),
    (re.compile(rf"\bfour\b{_NO_NUMBER}"), "4"),
    (re.compile(r"\bfive(?= (?:days|times) (?:a|per|each|every) week\b)"), "5"),
    (re.compile(r"\bsix(?= (?:days|times) (?:a|per|each|every) week\b)"), "6"),
)
_BY_INITIALS = (
    (re.compile(r"(?<![\w/.-])(?:mwf|m[/ ,-] ?w[/ ,-] ?f)(?![\w/-])"), "mon, wed, fri"),
    (re.compile(r"(?<![\w/.-])m ?- ?f(?:r|ri)?(?![\w/-])"), "mon-fri"),
    (re.compile(r"(?<![\w/.-])m ?- ?sat?(?![\w/-])"), "mon-sat"),
    (re.compile(r"(?<![\w/.-])(?:tthsa|tu?/th/sa)(?![\w/-])"), "tue, thu, sat"),
    (re.compile(r"(?<![\w/.-])(?:tt[hr]|tuth|tu?/th)(?![\w/-])"), "tue, thu"),
    (re.compile(r"(?<![\w/.-])sa[/-]su(?![\w/-])"), "sat-sun"),
)
"""Days of the week by their first letters, as prescriptions abbreviate them."""
_TO_NINETEEN = (
    "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)  # fmt: skip
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_IN_WORDS = {
    **{word: number for number, word in enumerate(_TO_NINETEEN, start=1)},
    **{word: 10 * tens for tens, word in enumerate(_TENS, start=2)},
}
_A_NUMBER = rf"(?:{'|'.join(sorted(_IN_WORDS, key=len, reverse=True))})"
_SPELLED_OUT = re.compile(
    rf"(?<![\w-])(?:(?:(?P<many>a|{_A_NUMBER}) )?(?P<hundred>hundred)(?: and)?)?"
    rf"(?P<rest>(?:[ -]?{_A_NUMBER}){{0,2}})(?= ?(?:mcgs?|ug|micrograms?)(?!\w))"
)
"""A number of micrograms in words: "seventy-five micrograms"."""
_DOTTED = re.compile(r"\b(?:[a-z]\.){2,}")
_NUMBER = r"(?:(?P<w>\d+) )?(?P<u>\d+)/(?P<d>\d+)|(?P<n>\d*\.\d+|\d+)"
_UNIT = (
    r"mcgs?|ug|micrograms?|mg|grains?|gr|g|tablet\(s\)|tab\(s\)|tablets?|tabs?|"
    r"capsule\(s\)|capsules?|caps?|ml"
)
JOINT = re.compile(
    r"(?:;|,? and |,|\+|&)\s*"
    rf"(?=(?:take |give )?(?:\d+ )?(?:\d+/\d+|\d*\.\d+|\d+)[ -]?(?:{_UNIT})(?!\w))"
)
AMOUNT = re.compile(
    rf"(?:take |give |use |swallow )?(?:{_NUMBER})[ -]?(?P<unit>{_UNIT})(?![\w(])\.?"
)
EQUAL = re.compile(rf"= ?(?:{_NUMBER})[ -]?(?P<unit>{_UNIT})(?![\w(])\.?")
"""The same amount in another unit: ``100 mcg = 1 tab(s)``."""
BARE = re.compile(
    r"(?:take |give |swallow )?(?:(?P<one>one)|(?:(?P<w>[1-4]) )?(?P<u>1)/(?P<d>2)"
    r"|(?P<n>[1-4](?:\.5)?))(?= (?:to be taken|po|by mouth|oral|daily|once|twice|each|every|"
    r"in the|at (?:night|bedtime)|mane|nocte|om|on(?=[ .,]*$)|od|bd|bid|qd|qam|qhs|q ?am|"
    r"nightly|(?<=\b1 )a day$|(?<=\bone )a day$|on alternate days))"
)
"""A count of nothing named, which are tablets: ``one to be taken each day``, ``1 nocte``."""
_COUNT = r"(?:1/2|\d(?:\.5| 1/2)?(?![./\d]))"
SCHEME = re.compile(
    rf"(?:take )?(?P<counts>{_COUNT}(?: ?- ?{_COUNT}){{2,3}})(?![\w/.,]| ?- ?\d)"
    r"(?: ?(?:tablet\(s\)|tab\(s\)|tablets?|tabs?|capsules?|caps?)(?!\w))?"
)
"""Tablets in the morning, at noon, in the evening and, as a fourth, at night: ``1-0-0``."""
ONE_BY_ONE = re.compile(
    r"(?:take )?(?P<counts>1) ?[x×] ?1(?![\w/.,]| ?x)"
    r"(?: ?(?:tablet\(s\)|tablets?|tabs?|tabl|tbl)(?!\w)\.?)?"
)
"""One tablet once a day, whichever of the two numbers is which: ``1x1``."""
OTHER_DAYS = re.compile(
    r"(?:on )?(?:(?:all|the|all the) )?"
    r"(?:(?:other|remaining) days(?: of the week)?|rest of the week)"
    r"|(?P<many>[56]) days (?:a|per|each|every) week"
)
"""The days of the week that nothing beside them names."""
SUPPLY = re.compile(
    r"(?:[,.;] ?)?(?:(?P<said>#|disp(?:ense)?:?|qty:?|quantity:?|mitte:?)? ?(?P<many>\d{1,3}) ?"
    r"(?:tablet\(s\)|tab\(s\)|tablets?|tabs?)|(?:for )?(?P<days>\d{2,3}) days?(?: supply)?)"
    r"(?:[,.;]? ?(?:\d{1,2} ?refill(?:\(s\)|s)?|refills?:? ?\d{1,2}))?$"
)
"""What is dispensed, at the end of an instruction."""
CLOCK = re.compile(r"at \d{1,2}(?::\d\d)? ?(?:am|pm)\b|at 0\d[0-5]\d(?: ?h(?:rs|ours)?)?\b")
"""The hour at which the one dose of the day is taken."""
COUNTED_PARTS = re.compile(
    rf"(?<!\w)(?P<count>\d{{1,2}})[ -](?P<part>half|quarter)s?(?: of a)? (?P<unit>{_UNIT})(?!\w)"
)
MASS = re.compile(rf"\((?:{_NUMBER}) ?(?P<unit>mcgs?|ug|micrograms?|mg|grains?)(?P<all> total)?\)")
_DAY = r"(mon|tue|wed|thu|fri|sat|sun)(?:s|r|rs|nes|ur)?(?:day)?s?"
SPAN = re.compile(rf"(?:on )?(?:{_DAY}) ?(?:-|to|through|thru) ?(?:{_DAY})\b")
LIST = re.compile(rf"(?:(?:on|every|each) )?{_DAY}(?:(?:,? and |, ?|/| & ){_DAY})*\b")
ONE_DAY = re.compile(_DAY)
DAY_ALONE = re.compile(rf"(?<!\w){_DAY}(?!\w)")
ROUND = re.compile(r"(?:on )?(?:the )?(weekdays?|weekends?)\b")
EXCEPT = re.compile(
    rf"(?:except|excluding|but not|not) (?:on )?{_DAY}(?:(?:,? and |, ?|/| & ){_DAY})*\b"
)
MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september",
    "october", "november", "december",
)  # fmt: skip
_CALENDAR = rf"(\d{{1,2}}) ({'|'.join(MONTHS)}) (\d{{4}})"
DATES = re.compile(rf"from {_CALENDAR} to {_CALENDAR}")
OPENING_DATES = re.compile(rf"{DATES.pattern}: ?")
"""The days of an instruction that is one of several, before what is taken on them."""
IN_ALL = re.compile(
    r"(?:take it together with [^:]{1,300}: |the whole day.s dose is"
    r" |on the other days take [^:]{1,80} instead: )"
    r"(?P<all>\d+(?:\.\d+)?)(?:/[\d.]+)? (?:micrograms?|mg) of"
    r" (?:[a-z -]{1,50} a (?P<week>week) in all|[a-z \d:]{1,60})"
)
"""What the tablets of several orders, or the doses of one day or of one week, come to."""
PRODUCT = re.compile(
    rf"(?P<name>[a-z][a-z ,()-]{{2,60}}) (?P<each>(?:{_NUMBER}) ?(?P<unit>{_UNIT})) tablets?: ?"
)
"""The product an instruction opens with, and what one tablet of it holds."""
TWO_HORMONES = re.compile(
    r"(?P<name>[a-z][a-z -]{2,60}) 4:1 (?P<each>(?P<t4>\d+(?:\.\d+)?)/\d+(?:\.\d+)? micrograms?)"
    r" tablets?: ?"
)
"""The same of tablets of T4 and T3, which are told by both contents and counted by their T4."""
PRODUCT_ALONE = re.compile(
    rf"(?P<name>(?:levothyroxine|liothyronine|desiccated thyroid|thyroid)(?: sodium)?):? "
    rf"(?=(?:{_NUMBER})[ -]?(?:mcgs?|ug|micrograms?|mg|grains?)(?!\w)(?! tab))"
)
"""The hormone that an instruction opens with, before the amount that is taken of it."""


def plain_words(words: str) -> str:
    """Lower case, one spelling for each number and sign, no dots in abbreviations."""
    text = words.casefold()
    for mark, spelled in _SPELLED:
        text = text.replace(mark, spelled)
    text = " ".join(_DOTTED.sub(lambda found: found[0].replace(".", ""), text).split())
    text = _SPELLED_OUT.sub(_in_digits, text)
    for pattern, days in _BY_INITIALS:
        text = pattern.sub(days, text)
    text = _SHORTHAND.sub(r"take \1 tab", _SAID_TWICE.sub(_said_once, text))
    for pattern, number in _NUMBER_WORDS:
        text = pattern.sub(number, text)
    return text.rstrip(". ")


def _in_digits(found: re.Match[str]) -> str:
    """The number that words spell; the words as they stand where they spell none."""
    rest = [_IN_WORDS[word] for word in re.findall(_A_NUMBER, found["rest"])]
    one_number = len(rest) < 2 or (rest[0] >= 20 and rest[0] % 10 == 0 and rest[1] < 10)
    many = _IN_WORDS.get(found["many"] or "one", 1) if found["hundred"] else 0
    return str(100 * many + sum(rest)) if one_number and found[0] and (many or rest) else found[0]


def _said_once(found: re.Match[str]) -> str:
    number = found["n"] or found["m"]
    word = found["said"] or found["word"]
    return number if _COUNTS[word] == number else found[0]


WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Schedule(msgspec.Struct, frozen=True):
    """Doses on each day of a cycle: ``(1,)`` daily, ``(1, 0)`` every other day.

    Seven entries begin on Monday; where the record does not say which days of the week,
    the first ones are taken, since only the mean is used then (`days_known` is false).
    `in_words` is true where it stands only in words.
    """

    doses: tuple[Fraction, ...]
    days_known: bool = True
    in_words: bool = False

    @property
    def per_day(self) -> Fraction:
        """Mean doses a day."""
        return mean(self.doses)

    def same_as(self, other: "Schedule") -> bool:
        """Whether both say the same, as far as both say it."""
        if self.days_known and other.days_known and len(self.doses) == len(other.doses):
            return self.doses == other.doses
        return self.per_day == other.per_day


DAILY = Schedule((Fraction(1),))


def every(days: int, doses: Fraction = Fraction(1)) -> Schedule:
    """So many doses on one day in `days`.

    >>> every(2).doses
    (Fraction(1, 1), Fraction(0, 1))
    """
    return Schedule((doses, *(Fraction(0),) * (days - 1)), days_known=days <= 1)


def times_a_day(count: int) -> Schedule:
    """So many doses every day."""
    return Schedule((Fraction(count),))


def on_weekdays(names: frozenset[str], doses: Fraction = Fraction(1)) -> Schedule:
    """Doses on named days of the week.

    >>> on_weekdays(frozenset({"sat", "sun"})).per_day
    Fraction(2, 7)
    """
    return Schedule(tuple(doses if day in names else Fraction(0) for day in WEEK))


def times_a_week(count: int) -> Schedule:
    """So many doses a week, one a day, on days that the record does not name."""
    whole, more = divmod(count, 7)
    return Schedule(
        tuple(Fraction(whole + (place < more)) for place in range(7)), days_known=not more
    )


LONGEST = 1000
"""Characters: an instruction that is longer holds more than a dose."""


_N = r"(\d{1,3})"
_A_DAY = r"(?:daily|a day|per day|each day|every day)"
_LATER = r"(?:in the |at |every )?(?:early |late )?(?:bedtime|night|evening|afternoon|pm)"
TIMES: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], Schedule | None]], ...] = tuple(
    (re.compile(rf"(?:{pattern})(?!\w)"), meaning)
    for pattern, meaning in (
        (r"(?:every|each) other day|(?:on )?alt(?:ernate|\.)? ?days?|eod|every (?:second|2nd) day|"
         r"qod|q2d",
         lambda _: every(2)),
        (rf"every {_N} days|q{_N}d", lambda m: _every_days(m[1] or m[2])),
        (rf"every {_N} ?(?:hours|hrs|h)|q{_N}h", lambda m: every_hours(int(m[1] or m[2]))),
        (rf"{_N} ?(?:times|x|days)? ?(?:a|per|each|every|/) ?(?:week|wk)|{_N} (?:times |x )weekly|"
         rf"{_N}x weekly", lambda m: _a_week(m[1] or m[2] or m[3])),
        (r"(?:once (?:a|per|every) week|once weekly|weekly|every week)", lambda _: every(7)),
        (rf"(?:in the|every|each) (?:morning|am), {_LATER},? and {_LATER}",
         lambda _: times_a_day(3)),
        (rf"(?:in the|every|each) (?:morning|am),? and {_LATER}", lambda _: times_a_day(2)),
        (rf"twice {_A_DAY}|bid|bds?", lambda _: times_a_day(2)),
        (rf"{_N} ?(?:times?|x) ?(?:{_A_DAY}|/ ?day)|{_N} ?(?:/ ?day|per day)",
         lambda m: _a_day(m[1] or m[2])),
        (r"tid|tds", lambda _: times_a_day(3)),
        (r"qid", lambda _: times_a_day(4)),
        (rf"(?:(?:once|one time) )?(?:{_A_DAY}|/ ?day)|q ?day|qd|od", lambda _: DAILY),
        (r"(?:once )?(?:every|each|in the|q) ?(?:early )?(?:morning|am|afternoon|evening|pm|night)|"
         r"qam|qpm|nightly|at (?:bedtime|night)|qhs|hs|mane|nocte",
         lambda _: DAILY),
    )
)  # fmt: skip


IN_LATIN = re.compile(r"(?:om|on(?=[ .,]*$))(?!\w)")
"""Every morning, every night (omni mane, omni nocte): read in a whole instruction, and not heard,
since both are words of other languages."""
_COUNTED = {
    **dict.fromkeys(("ein", "une", "una", "één", "en"), 1),
    **dict.fromkeys(("zwei", "deux", "dos", "due", "twee", "to", "två"), 2),
}
ELSEWHERE: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], Schedule | None]], ...] = tuple(
    (re.compile(rf"(?:{pattern})(?!\w)"), meaning)
    for pattern, meaning in (
        (
            rf"(?:{_N}|({'|'.join(_COUNTED)})) ?(?:x|mal|fois|vez|veces|volta|volte|gange?|gånger|"
            r"gång|maal|keer|krát)? ?(?:täglich|am tag|pro tag|par jour|al d[ií]a|al giorno|"
            r"per dag|om dagen|dagligen|dagligt|daglig|denně)",
            lambda m: _a_day(m[1] or str(_COUNTED[m[2]])),
        ),
        (
            r"täglich|jeden (?:tag|morgen)|morgens|chaque (?:jour|matin)|tous les (?:jours|matins)|"
            r"le matin|par jour|cada (?:día|mañana)|diario|diariamente|al d[ií]a|ogni "
            r"(?:giorno|mattina)|al giorno|al mattino|dagelijks|elke (?:dag|ochtend)|per dag|"
            r"dagligen|dagligt?|hver (?:dag|morgen)|varje (?:dag|morgon)|denně|každý den",
            lambda _: DAILY,
        ),
        (
            rf"x ?{_N} ?{_A_DAY}|(?:in )?{_N} (?:equally )?divided doses",
            lambda m: _a_day(m[1] or m[2]),
        ),
    )
)
"""Frequencies in other languages, and as they are abbreviated: heard beside a coded dose, never
read alone."""


def read_frequency(words: str) -> Schedule | None:
    """A frequency that stands alone, such as "once daily", read whole or not at all.

    >>> read_frequency("Twice daily").per_day
    Fraction(2, 1)
    """
    text = plain_words(words[:LONGEST])
    for pattern, meaning in TIMES:
        if found := pattern.fullmatch(text):
            return meaning(found)
    return None


def _every_days(count: str) -> Schedule | None:
    return every(int(count)) if 0 < int(count) <= 7 else None


def every_hours(hours: int) -> Schedule | None:
    """A dose in so many hours, where they come round in whole days."""
    if hours and hours % 24 == 0:
        return _every_days(str(hours // 24))
    return times_a_day(24 // hours) if hours and 24 % hours == 0 else None


def _a_day(count: str) -> Schedule | None:
    return times_a_day(int(count)) if 0 < int(count) <= 24 else None


def _a_week(count: str) -> Schedule | None:
    return times_a_week(int(count)) if 0 < int(count) <= 7 else None
