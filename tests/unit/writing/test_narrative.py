"""Hostile text stays text."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from tests.unit.writing.answers import resources, walk, written
from tests.unit.writing.plans import EVERY, HOLD, data_required, levothyroxine_to_desiccated

from crossgrain.reading.record import Question
from crossgrain.writing.forms import to_json

HOSTILE = '<script>alert("x")</script> & <img src=x onerror=y> \x00\x1b\ud800\ufffe ]]> &lt;'


def poisoned():
    made = levothyroxine_to_desiccated()
    finding = replace(HOLD, statement=HOSTILE, action=HOSTILE, source=HOSTILE, instruction=HOSTILE)
    comparison = tuple(
        replace(r, basis=replace(r.basis, source=HOSTILE)) for r in made.plan.comparison
    )
    statements = tuple(replace(s, arithmetic=HOSTILE) for s in made.plan.rationale)
    labs = tuple(replace(d, statement=HOSTILE) for d in made.plan.labs)
    branches = tuple(replace(b, statement=HOSTILE) for b in made.plan.checkpoint.branches)
    checkpoint = replace(made.plan.checkpoint, branches=branches)
    plan = replace(
        made.plan, comparison=comparison, rationale=statements, labs=labs, checkpoint=checkpoint
    )
    confirm = (Question(HOSTILE, HOSTILE),)
    return replace(
        made, findings=(finding,), plan=plan, record=replace(made.record, confirm=confirm)
    )


def asking():
    made = data_required()
    return replace(made, record=replace(made.record, questions=(Question(HOSTILE, HOSTILE),)))


@pytest.mark.parametrize("make", [poisoned, asking])
def test_hostile_text_is_escaped_in_every_narrative_and_can_be_sent(make):
    bundle = written(make())
    shown = 0
    for resource in resources(bundle):
        root = ET.fromstring(resource["text"]["div"])
        tags = {element.tag.rpartition("}")[2] for element in root.iter()}
        assert tags <= {"div", "p", "b", "ul", "li", "table", "thead", "tbody", "tr", "th", "td"}
        shown += 'alert("x")' in "".join(root.itertext())
    assert shown
    to_json(bundle).decode()


def test_no_string_holds_what_fhir_forbids():
    # FHIR: "Strings SHALL NOT contain Unicode character points below 32, except for u0009,
    # u000D and u000A", https://hl7.org/fhir/R4/datatypes.html#string
    for path, node in walk(written(poisoned())):
        if isinstance(node, str):
            assert not any(ord(c) < 32 and c not in "\t\r\n" for c in node), path


@pytest.mark.parametrize("name", EVERY)
def test_every_resource_tells_its_own_story(name):
    for resource in resources(written(EVERY[name]())):
        root = ET.fromstring(resource["text"]["div"])
        assert root.tag == "{http://www.w3.org/1999/xhtml}div"
        assert len("".join(root.itertext())) > 40
        assert resource["text"]["status"] == "generated"
