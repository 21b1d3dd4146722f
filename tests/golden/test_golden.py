"""Every answer is the one that was kept: what changes it does so on purpose, and says why."""

import re
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from tests.golden import stored
from tests.golden.answers import Answer
from tests.golden.difference import Report, changes
from tests.golden.service import Question, digests_of, serving

ROOT = Path(__file__).parents[2]
HOW = (
    "See how:          python -m tests.golden diff --base main\n"
    "If it is meant:   python -m tests.golden write\n"
    "and say in the commit which bytes changed, and why. Where the first shows nothing, a library\n"
    "that writes them is another than before."
)
NAMED = 40
"""So many answers are named; the command above shows all of them."""


OWN = "version|server|folder|fixtures|seconds|digest|bytes"
TEMPLATE = re.compile(rb"(?<!\{)\{(?!(?:%s|tbl)\})[a-z_]*\}(?!\})" % OWN.encode())
"""What is left of a template that was not filled in; not the harness's own, nor UCUM's tablet."""


@dataclass
class Found:
    """The digest of every answer, and those in which a template stands."""

    digests: stored.Digests = field(default_factory=dict)
    templates: list[str] = field(default_factory=list)

    def look(self, question: Question, answer: Answer) -> None:
        for part, body in answer.parts:
            if held := TEMPLATE.search(_without_scripts(body)):
                self.templates.append(f"{question.surface}: {question.name}, {part}: {held[0]!r}")


def _without_scripts(body: bytes) -> bytes:
    return re.sub(rb"<(script|style)[^>]*>.*?</\1>", b"", body, flags=re.DOTALL)


@pytest.fixture(scope="module")
def found() -> Found:
    found = Found()
    with serving(ROOT) as service:
        found.digests = digests_of(service, found.look)
    return found


@pytest.mark.slow
def test_every_answer_has_the_bytes_that_were_kept(found: Found) -> None:
    other = stored.changed(stored.load(), found.digests)
    named = "\n".join(f"{surface}: {name}" for surface, name in other[:NAMED])
    assert not other, f"{len(other)} of {len(found.digests)} answers changed:\n{named}\n{HOW}"


@pytest.mark.slow
def test_plans_refusals_and_every_surface_are_among_them(found: Found) -> None:
    assert len(found.digests) > 3000
    assert {surface for surface, _ in found.digests} == {
        "answers-r4", "answers-r5", "calendars", "commands", "comparisons", "definitions", "hooks",
        "next-steps", "options", "screenings", "sheets",
    }  # fmt: skip
    assert len(set(found.digests.values())) > 2000  # they are not the same refusal again and again


@pytest.mark.slow
def test_no_answer_holds_what_is_left_of_a_template(found: Found) -> None:
    assert not found.templates, f"{len(found.templates)} answers, such as {found.templates[:5]}"


def test_the_harness_imports_nothing_of_the_package() -> None:
    asked = (
        "import sys, tests.golden.__main__;"
        "print([name for name in sys.modules if name.split('.')[0] == 'crossgrain'])"
    )
    ran = subprocess.run([sys.executable, "-c", asked], cwd=ROOT, capture_output=True, check=True)
    assert ran.stdout.decode().strip() == "[]"


def answer(body: str) -> Answer:
    return Answer("200 application/fhir+json", (("body", body.encode()),))


def test_one_letter_more_is_another_digest() -> None:
    assert answer('{"text":"30 mg"}').digest != answer('{"text":"30 mg."}').digest
    assert answer("").digest != Answer("404 application/fhir+json", (("body", b""),)).digest


def test_what_is_taken_from_one_part_and_put_in_the_next_is_another_digest() -> None:
    one, other = (Answer("exit 0", (("a", a), ("b", b))) for a, b in ((b"12", b"3"), (b"1", b"23")))
    assert one.digest != other.digest


def plan(dose: int, words: str, own_id: str = "6c1c1b5e-6e0f-5a86-9f43-4f5a3c0a7d21") -> Answer:
    return answer(
        f'{{"resourceType": "MedicationRequest", "id": "{own_id}", "dose": {dose},'
        f' "text": "Take {dose} mg {words}", "div": "<p>Take <b>{dose} mg</b></p>"}}'
    )


def test_changes_that_are_alike_but_for_numbers_are_shown_once_with_their_count() -> None:
    report = Report()
    for dose in (30, 60, 90):
        report.add(f"answers: {dose}", plan(dose, "daily"), plan(dose, "every day"))
    report.add("answers: same", plan(15, "daily"), plan(15, "daily"))
    shown = "\n".join(report.shown(set(), {"answers: 120"}))
    assert "in 3 answers, such as answers: 30\n@@ MedicationRequest @@" in shown
    assert '-  "text": "Take 30 mg daily",\n+  "text": "Take 30 mg every day",' in shown
    assert "+++ answers: 120: not asked before" in shown
    assert shown.endswith("3 answers changed, in 1 ways")


def test_ids_that_follow_from_what_changed_are_shown_only_where_nothing_else_did() -> None:
    other = "00000000-6e0f-5a86-9f43-4f5a3c0a7d21"
    with_words = list(changes(plan(30, "daily"), plan(30, "once", other)))
    assert [change.put for change in with_words] == [
        ('  "text": "Take 30 mg once",'.removeprefix(" "),)
    ]
    alone = list(changes(plan(30, "daily"), plan(30, "daily", other)))
    assert [change.put for change in alone] == [(f' "id": "{other}",',)]


def test_each_element_of_markup_is_a_line_of_its_own() -> None:
    (change,) = changes(
        answer('{"div": "<p>Take <b>30 mg</b></p>"}'), answer('{"div": "<p>Take <b>60 mg</b></p>"}')
    )
    assert change.out == ('<b>30 mg</b></p>"',)
