"""Plan sheets of the invented patients, and a way to read what stands on them."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from html.parser import HTMLParser

from tests.conformance.patients import CATALOGUE, FIXTURES, SCENARIO, proposed

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.reading.json import parse
from crossgrain.reading.record import Question, Unread
from crossgrain.sheet.page import sheet_html
from crossgrain.sheet.person import PatientHeading, person_in
from crossgrain.sheet.sources import NO_SOURCES, Sources, sources_in

VERSION = "9.9.9"
BRITISH = "en-GB"
"""The locale whose dates are those of the answer in FHIR, so that the two can be compared."""
ASKED = {patient["file"]: patient.get("target") for patient in SCENARIO["patient"]}
PLANNED = {
    patient["file"]: patient.get("target")
    for patient in SCENARIO["patient"]
    if patient["outcome"] == "plan"
}
SCRIPT = "<script>document.title='taken over'</script>"
SVG = "<svg onload=\"document.title='taken over'\"></svg>"
QUOTED = "\"'><img src=x onerror=\"document.title='taken over'\">{{ 7 * 7 }}"
REVERSED = "\u202e05 ekat\u202c \u2066x\u2069"
LONG = "W" * 10_000
HOSTILE = (SCRIPT, SVG, QUOTED, REVERSED, LONG)
_VOID = {"meta", "br", "img", "input", "link", "hr"}


@dataclass
class Node:
    """One element, its attributes, and what is in it."""

    tag: str
    attributes: dict[str, str]
    inside: list["Node | str"] = field(default_factory=list)

    def walk(self) -> Iterator["Node"]:
        """This element and every one in it, in reading order."""
        yield self
        for one in self.inside:
            if isinstance(one, Node):
                yield from one.walk()

    def all(self, tag: str = "", kind: str = "") -> list["Node"]:
        """Elements by tag and class."""
        return [
            node
            for node in self.walk()
            if (not tag or node.tag == tag)
            and (not kind or kind in node.attributes.get("class", "").split())
        ]

    def by_id(self, name: str) -> "Node":
        """The one element of that id."""
        (found,) = (node for node in self.walk() if node.attributes.get("id") == name)
        return found

    @property
    def text(self) -> str:
        """What is read, without style and script, spaces made single."""
        return " ".join("".join(self._texts()).split())

    def _texts(self) -> Iterator[str]:
        for one in self.inside:
            if isinstance(one, str):
                yield one
            elif one.tag not in {"style", "script"}:
                yield from one._texts()
                if one.tag in {"p", "li", "td", "th", "h1", "h2", "h3", "h4", "caption", "dd"}:
                    yield " "


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open = [Node("", {})]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        node = Node(tag, {name: value or "" for name, value in attrs})
        self.open[-1].inside.append(node)
        if tag not in _VOID:
            self.open.append(node)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.open[-1].inside.append(Node(tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.open[-1].inside.append(data)


def parsed(page: bytes) -> Node:
    """The page as a tree; an element closed out of order fails the test."""
    reader = _Reader()
    reader.feed(page.decode())
    reader.close()
    assert len(reader.open) == 1, f"<{reader.open[-1].tag}> is left open"
    return reader.open[0]


def person_of(file: str) -> PatientHeading:
    """The patient of a fixture, as the sheet names them."""
    return person_in(json.loads((FIXTURES / "patients" / file).read_bytes()))


def page_of(
    proposal: Proposal,
    person: PatientHeading = PatientHeading(),  # noqa: B008 - frozen
    tag: str = BRITISH,
    sources: Sources = NO_SOURCES,
) -> bytes:
    """The sheet of a proposal."""
    return sheet_html(
        proposal, CATALOGUE, service_version=VERSION, person=person, tag=tag, sources=sources
    )


def sources_of(file: str) -> Sources:
    """What the record of a fixture calls its resources."""
    return sources_in(parse((FIXTURES / "patients" / file).read_bytes()), "Bundle")


@lru_cache
def sheet(file: str, prior_therapy: PriorTherapy = PriorTherapy.OVERLAP) -> bytes:
    """The sheet of a fixture for the target that it asks for."""
    proposal = proposed(file, ASKED[file], prior_therapy)
    return page_of(proposal, person_of(file), sources=sources_of(file))


def hostile(text: str, file: str = "01-levothyroxine-150.json") -> bytes:
    """A sheet on which every text that a record can bring is `text`."""
    fair = proposed(file, ASKED[file])
    record = fair.record
    entries = tuple(replace(e, reference=text, status=text) for e in record.current)
    finding = replace(fair.findings[0], statement=text, action=text, origins=(text,))
    hurt = replace(
        fair,
        record=replace(
            record,
            current=entries,
            unread=(Unread(text, text),),
            confirm=(Question(text, text),),
        ),
        findings=(finding, *fair.findings[1:]),
    )
    return page_of(hurt, PatientHeading(text, text, text))
