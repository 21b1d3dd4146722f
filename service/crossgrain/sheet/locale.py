"""The patient's words, dates and numbers by locale: a translation is one file in ``locales/``.

`en-US.toml` holds every sentence; another file says which it `extends` and holds what differs. A
key that it does not know, or a sentence whose blanks are not those of the original, is refused.
English of the rest of the service (how blood is drawn, what a finding wants done, the questions of
`How it goes`) stands in the file of another language under `english`, sentence by sentence.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date
from fractions import Fraction
from functools import lru_cache
from importlib.resources import files
from string import Formatter
from typing import Any

from markupsafe import Markup, escape

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names import printing
from crossgrain.names.values import frozen
from crossgrain.sheet.rendering import shown

DEFAULT = "en-US"
_FOLDER = files("crossgrain.sheet").joinpath("locales")
_DAY = re.compile(r"\d{4}-\d\d-\d\d(T.*)?$")
_STRONG = re.compile(r"\*\*(.+?)\*\*")


@frozen
class Locale:
    """How one kind of reader is written to.

    Attributes
    ----------
    tag : as BCP 47 has it
    words : every sentence by its key
    english : sentences of the rest of the service, each with what it is in this language
    """

    tag: str
    words: Mapping[str, str]
    english: Mapping[str, str]

    def say(self, key: str, **values: object) -> Markup:
        """A sentence for the page; what it is filled with cannot bring an element."""
        filled = {name: escape(shown(value)) for name, value in values.items()}
        return Markup(_STRONG.sub(r"<b>\1</b>", str(escape(self.words[key])).format(**filled)))

    def plain(self, key: str, **values: object) -> str:
        """The same without emphasis, as a calendar shows it."""
        return _STRONG.sub(r"\1", self.words[key]).format(**values)

    def of_english(self, sentence: str) -> str:
        """A sentence of the rest of the service."""
        return self.english.get(sentence, sentence)

    # --- dates -----------------------------------------------------------------------------------

    def dated(self, day: date) -> str:
        """A date in words, or as ISO 8601 has it."""
        return self.plain("dates.date", **self._parts(day))

    def written(self, said: str) -> str:
        """What a record says as a date, or as a moment; a month or a year alone stays as it is."""
        try:
            return self.dated(date.fromisoformat(said[:10])) if _DAY.match(said) else said
        except ValueError:
            return said

    def day(self, day: date) -> str:
        """A date with its weekday."""
        return self.plain("dates.day", **self._parts(day))

    def short(self, day: date) -> str:
        """The same without its year, where another date beside it has one."""
        return self.plain("dates.short", **self._parts(day))

    def tick(self, day: date) -> str:
        """The same as short as can be, beneath a drawing."""
        return self.plain("dates.tick", **self._parts(day))

    def month(self, day: date) -> str:
        """The month that a day is in."""
        return self.plain("dates.month", **self._parts(day))

    def weekday(self, number: int) -> str:
        """A day of the week, Monday being 0."""
        return self.words[f"weekdays.{number}"]

    @property
    def first_weekday(self) -> int:
        """The day on which a week begins, Monday being 0."""
        return int(self.words["dates.first-weekday"])

    def _parts(self, day: date) -> dict[str, object]:
        return {
            "weekday": self.weekday(day.weekday()),
            "month": self.words[f"months.{day.month - 1}"],
            "short_month": self.words[f"short-months.{day.month - 1}"],
            "day": day.day,
            "year": day.year,
            "iso": day.isoformat(),
            "iso_month": day.isoformat()[:7],
            "iso_day": day.isoformat()[5:],
        }

    # --- doses -----------------------------------------------------------------------------------

    def tablets(self, count: Fraction) -> str:
        """So many tablets, in words that cannot be misread as a decimal."""
        whole, part = int(count), int(count % 1 * 4)
        if not whole:
            return self.words[f"tablets.part-{part}"]
        if whole == 1 and not part:
            return self.words["tablets.one"]
        return self.plain(f"tablets.whole-{part}", count=whole)

    def medicine(self, preparation: Preparation) -> str:
        """Its generic name, as the box has it."""
        return self.of_english(preparation.generic_name)

    def amount(self, preparation: Preparation, value: Fraction, *, box: bool = False) -> str:
        """An amount in the preparation's unit; on a box the unit stands in the singular."""
        unit = preparation.unit
        one = value == 1 or box
        word = self.words[f"units.{unit}" if not one else f"units.{unit}-one"]
        if preparation.kind is Kind.FIXED_RATIO:
            both = (preparation.t4_ug(value), preparation.t3_ug(value))
            return f"{'/'.join(map(self._number, both))} {word}"
        return f"{self._number(value)} {word}"

    def box(self, preparation: Preparation, strength: Fraction | None) -> str:
        """Tablets as their box names them; the medicine alone where no strength is known."""
        name = self.medicine(preparation)
        if strength is None:
            return name
        return self.plain(
            "tablets.box", medicine=name, amount=self.amount(preparation, strength, box=True)
        )

    def _number(self, value: Fraction) -> str:
        return printing.amount(value).replace(".", self.words["units.mark"])

    def listed(self, names: list[str]) -> str:
        """Several names as one list."""
        *first, last = names
        if not first:
            return last
        return self.plain("lists.and", first=", ".join(first), last=last)


def tags() -> tuple[str, ...]:
    """The locales that there are, the default first."""
    found = sorted(each.name.removesuffix(".toml") for each in _FOLDER.iterdir())
    return (DEFAULT, *(tag for tag in found if tag != DEFAULT))


@lru_cache  # one small file for each, the same for every page
def locale(tag: str) -> Locale:
    """A locale by its tag.

    Raises
    ------
    ValueError
        where its file does not hold what the original holds.
    """
    content = tomllib.loads(_FOLDER.joinpath(f"{tag}.toml").read_text("utf-8"))
    return made(tag, content)


def made(tag: str, content: dict[str, Any]) -> Locale:
    """A locale of what its file says, completed from the one that it extends."""
    parent = content.pop("extends", None)
    english = content.pop("english", {})
    own = dict(_flat(content))
    if parent is None:
        return Locale(tag, own, english)
    base = locale(parent)
    _check(tag, own, locale(DEFAULT).words)
    return Locale(tag, {**base.words, **own}, {**base.english, **english})


def _flat(content: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, str]]:
    for key, value in content.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{before}{key}.")
        elif isinstance(value, list):
            yield from ((f"{before}{key}.{place}", str(each)) for place, each in enumerate(value))
        else:
            yield f"{before}{key}", str(value)


def _check(tag: str, own: Mapping[str, str], original: Mapping[str, str]) -> None:
    for key, sentence in own.items():
        if key not in original:
            raise ValueError(f"locale {tag}: there is no sentence {key}")
        if not key.startswith("dates.") and _blanks(sentence) != _blanks(original[key]):
            raise ValueError(f"locale {tag}: {key} has other blanks than {DEFAULT}")


def _blanks(sentence: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(sentence) if name}
