"""Every word and code that the hand-made answers hold, as it was approved.

A prescriber reads these words on the orders, a patient on the label, and an EHR files by these
codes. They stand in `words.txt`, each once with its place; a change of a word is a change of that
file, to be read as a prescriber would:

    python -m tests.unit.writing.test_every_word
"""

import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from html import unescape
from pathlib import Path
from typing import Any

from tests.unit.test_propose import AS_OF as TODAY
from tests.unit.test_propose import CATALOGUE, LT4_100, drafted, record
from tests.unit.writing.answers import walk, written
from tests.unit.writing.plans import EVERY, NOTE, stopped_at_once

from crossgrain.core.proposal import Proposal, SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.dosing.plan import LabDraw
from crossgrain.dosing.targets import TargetDose
from crossgrain.names.identity import FhirVersion
from crossgrain.safety.results import Whose

APPROVED = Path(__file__).with_name("words.txt")
NAMED_BY_NUMBER = {"id", "reference", "fullUrl", "value"}
"""Ids, what refers to them, and amounts: other tests hold these."""
_DAY = re.compile(r"\d{4}-\d\d-\d\d")
_ID = re.compile(r"[0-9a-f]{8}-[0-9a-f-]{27}")
_BLOCK = re.compile(r"<[^>]+>")


def words_of(bundle: dict[str, Any]) -> Iterator[str]:
    """Each word or code of an answer after its place, a narrative by its blocks."""
    for entry in bundle["entry"]:
        resource = entry["resource"]
        for path, node in walk(resource, resource["resourceType"]):
            place = re.sub(r"\[\d+\]", "", path)
            name = place.rpartition(".")[2]
            if not isinstance(node, str) or name in NAMED_BY_NUMBER or _DAY.match(node):
                continue
            blocks = _BLOCK.split(unescape(node)) if name == "div" else [node]
            yield from (f"{place}: {_ID.sub('(an id)', one)}" for one in blocks if one.strip())


def rarer() -> Iterator[Proposal]:
    """What the hand-made shapes lack: other limits of TSH, a draw on the way, an act, a basis
    without a word, orders that are judged, and more taken at the checkpoint than its dose."""
    small = _with_a_draw_on_the_way(stopped_at_once())
    yield replace(small, findings=(NOTE, replace(NOTE, act="ECG", day=14)))
    for whose in Whose:
        yield replace(small, tsh=replace(small.tsh, whose=whose))
    plan = small.plan
    silent = replace(plan.comparison[1], lt4_equivalent_ug=None, target=None, refused="No word.")
    comparison = (plan.comparison[0], silent, *plan.comparison[2:])
    held = replace(plan.checkpoint, held=TargetDose(lt4_ug=Fraction(25), grains=Fraction(1, 2)))
    yield replace(small, plan=replace(plan, comparison=comparison, checkpoint=held))
    for grains in (30, 60, 240):
        taken = record(LT4_100, drafts=(drafted("desiccated-thyroid-60", grains),))
        judged = propose(
            taken,
            SwitchRequest(TODAY, TODAY, mixture=CATALOGUE.policy.combining.mixture()),
            CATALOGUE,
        ).judgement
        yield replace(small, judgement=judged)


def _with_a_draw_on_the_way(shape: Proposal) -> Proposal:
    """Read before the second step."""
    before, last = shape.plan.labs
    draw = LabDraw(7, "interim", "TSH, free T4 and free T3: on the way", read_before=1)
    return replace(shape, plan=replace(shape.plan, labs=(before, draw, last)))


def every_word() -> str:
    """Each line once, in order, of every hand-made answer in either version."""
    proposals = (*(make() for make in EVERY.values()), *rarer())
    answers = (written(one, version) for one in proposals for version in FhirVersion)
    lines = {line for answer in answers for line in words_of(answer)}
    return "".join(f"{line}\n" for line in sorted(lines))


def test_every_word_is_as_it_was_approved() -> None:
    assert every_word() == APPROVED.read_text("utf-8")


if __name__ == "__main__":
    APPROVED.write_text(every_word(), "utf-8")
