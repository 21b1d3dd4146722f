"""The numbers that stand in a record, and whether a dose is made of them."""

import re
from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from typing import Any

from tests.unit.reading.records import CATALOGUE


def nodes(tree: Any) -> Iterator[Any]:
    """Every node below one, itself included."""
    todo = [tree]
    while todo:
        node = todo.pop()
        yield node
        if isinstance(node, dict):
            todo.extend(node.values())
        elif isinstance(node, list):
            todo.extend(node)


WRITTEN = re.compile(r"(?:(\d+) )?(\d+)\s*[/⁄]\s*(\d+)|(\d+\.\d+|\.\d+|\d+)")
IN_WORDS = {
    "half": Fraction(1, 2), "½": Fraction(1, 2), "¼": Fraction(1, 4), "¾": Fraction(3, 4),
    "quarter": Fraction(1, 4), "one": Fraction(1), "two": Fraction(2), "three": Fraction(3),
    "four": Fraction(4), "one and a half": Fraction(3, 2), "one and one": Fraction(3, 2),
}  # fmt: skip
UNITS = [
    Fraction(1),
    Fraction(1000), Fraction(1, 1000), Fraction(10**6), Fraction(1, 10**6),
    Fraction(60), Fraction(65), Fraction(60, 38), Fraction(65, 38),
]  # fmt: skip
"""From one unit of dose to another, from grains to mg in both families, and from the T4 by which
a grain may be named."""
TIMES = [Fraction(times) for times in range(1, 25)]


def numbers_in(tree: Any) -> set[Fraction]:
    """Every number that stands in a tree, in digits or in words."""
    found: set[Fraction] = set()
    for node in nodes(tree):
        if isinstance(node, int | Decimal) and not isinstance(node, bool):
            found.add(Fraction(node))
        elif isinstance(node, str):
            found |= numbers_in_words(node)
    return found


def numbers_in_words(words: str) -> set[Fraction]:
    """Every number in a text: 12, 1.5, 1/2, 1 1/2, ½, half."""
    text = re.sub(r"(?<=\d) (?:and|&) (?:a |one )?half\b", " 1/2", words.casefold())
    found = {value for word, value in IN_WORDS.items() if word in text}
    for vulgar in "½¼¾":
        text = text.replace(vulgar, f" {IN_WORDS[vulgar].numerator}/{IN_WORDS[vulgar].denominator}")
    for part in WRITTEN.finditer(
        re.sub(r"\s+(?:and|&)\s+(?=\d+\s*/)", " ", " ".join(text.split()))
    ):
        whole, above, below, plain = part.groups()
        if len(part[0]) > 4000:  # more digits than Python turns into a number
            continue
        if plain:
            found.add(Fraction(plain))
        else:
            found |= {Fraction(above), Fraction(below)}
            if int(below):
                found |= {Fraction(int(above), int(below))}
                found |= {int(whole or 0) + Fraction(int(above), int(below))}
    return found


def medications(tree: dict[str, Any]) -> list[Any]:
    """Every Medication of a bundle."""
    return [n for n in nodes(tree) if isinstance(n, dict) and n.get("resourceType") == "Medication"]


def coded_strengths(holder: Any, tree: dict[str, Any]) -> set[Fraction]:
    """The strengths for which the codes stand that a medicine carries."""
    found = set()
    for node in (*nodes(holder), *nodes(medications(tree))):
        if not isinstance(node, dict) or not isinstance(node.get("code"), str):
            continue
        system = node.get("system")
        known = CATALOGUE.codes.medicines.get(system) if isinstance(system, str) else None
        meaning = known.get(node["code"]) if known else None
        if meaning and meaning.strength:
            found.add(meaning.strength)
    return found


def amount_is_written(amount: Fraction, numbers: set[Fraction], strengths: set[Fraction]) -> bool:
    """Whether some amount, some strength, some unit and some number of times make it."""
    times = [*TIMES, *(number for number in numbers if number)]
    amounts = [number for number in numbers | strengths if number]
    powers = [Fraction(10) ** power for power in range(-9, 10)]
    for units in (UNITS, powers):
        for unit in units:
            for often in times:
                rest = amount / unit / often
                if any(rest / each in strengths for each in amounts):
                    return True
    per_ml = {a / b for a in strengths for b in strengths if b}
    return any(amount / often / each in per_ml for often in TIMES for each in amounts)
