"""The words of the sig grammar: spellings made one, and the patterns of its parts."""

import re
import tomllib
from importlib.resources import files
from typing import Any


def _pieces_of(table: dict[str, Any]) -> dict[str, str]:
    pieces: dict[str, str] = {}
    for name, pattern in table["pieces"].items():
        pieces[name] = _filled(pattern, pieces)
    return pieces


def _filled(pattern: str, pieces: dict[str, str]) -> str:
    for name, piece in pieces.items():
        pattern = pattern.replace(f"{{{name}}}", piece)
    return pattern


_TABLE = tomllib.loads(files("crossgrain").joinpath("data", "phrases.toml").read_text("utf-8"))
_PIECES = _pieces_of(_TABLE)


def _any_of(*kinds: str) -> str:
    phrases = [phrase for kind in kinds for phrase in _TABLE[kind]["phrases"]]
    return "|".join(_filled(phrase, _PIECES) for phrase in phrases)


_OPENING = _filled(_TABLE["own"]["opening"], _PIECES)
FILLER = re.compile(rf"(?:{_OPENING}|{_any_of('filler', 'own')}|[,.])(?!\w)")
"""What may stand beside the dose in an instruction that is read whole."""
HARMLESS = rf"{_OPENING}|{_any_of('harmless', 'filler', 'own')}"
"""What leaves a coded dose as it is, not compiled: a part of a larger pattern."""
BEARING = _any_of("bearing")
"""What bears on the taking and cannot be read, likewise."""
NEUTRAL = _any_of("neutral")
"""Words that say nothing of their own, likewise."""
OWN_NOTES = re.compile("|".join(_TABLE["own"]["notes"]))
"""Notes of the service itself that begin as an instruction does."""
BEGINS = re.compile(rf"(?:{_any_of('begins')})(?!\w)")
"""How a note begins that is an instruction."""


_SPELLED = (
    ("½", " 1/2 "), ("¼", " 1/4 "), ("¾", " 3/4 "), ("\N{FRACTION SLASH}", "/"),
    ("–", "-"), ("—", "-"), ("\N{RIGHT SINGLE QUOTATION MARK}", "'"), ("µ", "u"), ("μ", "u"),
)  # fmt: skip
_NOT_COUNTED = r"(?<!\d )(?<!\bone )(?<!\btwo )(?<!\bthree )(?<!\bfour )"
_NO_NUMBER = r"(?! ?\d)"
"""Two half tablets are one tablet, and 2 1/2 are two and a half: the first is not read."""
_NUMBER_WORDS = (
    (re.compile(r"\bthree[ -]quarters(?: of an?)?(?= tab)"), "3/4"),
    (re.compile(r"\bone and (?:a|one)[ -]half\b"), "1 1/2"),
    (re.compile(r"\b(?:one|a)[ -](half|quarter)(?: of)?(?: an?| one)?\b"), r"\1"),
    (re.compile(rf"{_NOT_COUNTED}\bhalf(?: of)?(?: an?| one)?\b"), "1/2"),
    (re.compile(rf"{_NOT_COUNTED}\bquarter(?: of)?(?: an?| one)?\b"), "1/4"),
    (re.compile(r"\b(\d+) (?:and|&) (?=\d+/\d+\b)"), r"\1 "),
    (re.compile(r"\bone(?= (?:tab|cap|grain))"), "1"),
    (re.compile(rf"\btwo\b{_NO_NUMBER}"), "2"),
    (re.compile(rf"\bthree\b{_NO_NUMBER}"), "3"),
    (re.compile(rf"\bfour\b{_NO_NUMBER}"), "4"),
)
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
COUNTED_PARTS = re.compile(
    rf"(?<!\w)(?P<count>\d{{1,2}})[ -](?P<part>half|quarter)s?(?: of a)? (?P<unit>{_UNIT})(?!\w)"
)
MASS = re.compile(rf"\((?:{_NUMBER}) ?(?P<unit>mcgs?|ug|micrograms?|mg|grains?)(?P<all> total)?\)")
_DAY = r"(mon|tue|wed|thu|fri|sat|sun)(?:s|r|rs|nes|ur)?(?:day)?s?"
SPAN = re.compile(rf"(?:on )?(?:{_DAY}) ?(?:-|to|through|thru) ?(?:{_DAY})\b")
LIST = re.compile(rf"(?:on )?{_DAY}(?:(?:,? and |, ?|/| & ){_DAY})*\b")
ONE_DAY = re.compile(_DAY)
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


def plain_words(words: str) -> str:
    """Lower case, one spelling for each number and sign, no dots in abbreviations."""
    text = words.casefold()
    for mark, spelled in _SPELLED:
        text = text.replace(mark, spelled)
    text = " ".join(_DOTTED.sub(lambda found: found[0].replace(".", ""), text).split())
    for pattern, number in _NUMBER_WORDS:
        text = pattern.sub(number, text)
    return text.rstrip(". ")
