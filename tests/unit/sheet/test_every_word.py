"""Every word on the sheets and in the calendars of the hand-made plans, as it was approved.

The patient's part is read at a kitchen table, the prescriber's before signing. The words stand in
`words.txt`, each once with the element that holds it; a change of a word is a change of that file,
to be read as a patient and a prescriber would:

    python -m tests.unit.sheet.test_every_word
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from tests.unit.sheet.pages import CATALOGUE, VERSION, Node, page_of, parsed
from tests.unit.writing.plans import EVERY, NOTE, levothyroxine_to_desiccated

from crossgrain.core.proposal import Proposal
from crossgrain.sheet.page import calendar_of

APPROVED = Path(__file__).with_name("words.txt")
READ_OUT = ("aria-label", "title", "alt")
"""Attributes that a screen reader says, or that show where the pointer rests."""


def proposals() -> Iterator[Proposal]:
    """The hand-made shapes, and one with an act that a finding wants done."""
    yield from (make() for make in EVERY.values())
    yield levothyroxine_to_desiccated(findings=(NOTE, replace(NOTE, act="ECG", day=14)))


def words_on(page: bytes) -> Iterator[str]:
    """What is read on a page, each piece after its element."""
    for node in parsed(page).walk():
        if node.tag in {"style", "script"}:
            continue
        place = ".".join((node.tag, *node.attributes.get("class", "").split()))
        for name in READ_OUT:
            if said := node.attributes.get(name):
                yield f"{place} {name}: {said}"
        for one in node.inside:
            if not isinstance(one, Node) and (text := " ".join(one.split())):
                yield f"{place}: {text}"


def words_in(calendar: bytes) -> Iterator[str]:
    """What a calendar says, its folded lines joined (RFC 5545, 3.1), without its ids."""
    for line in calendar.decode().replace("\r\n ", "").split("\r\n"):
        if line and not line.startswith("UID"):
            yield f"calendar: {line}"


def every_word() -> str:
    """Each line once, in order."""
    lines = set()
    for proposal in proposals():
        lines |= set(words_on(page_of(proposal)))
        if calendar := calendar_of(proposal, CATALOGUE, service_version=VERSION):
            lines |= set(words_in(calendar))
    return "".join(f"{line}\n" for line in sorted(lines))


def test_every_word_is_as_it_was_approved() -> None:
    assert every_word() == APPROVED.read_text("utf-8")


if __name__ == "__main__":
    APPROVED.write_text(every_word(), "utf-8")
