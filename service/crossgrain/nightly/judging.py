"""From one patient's lines to an answer: the reader, then the pure screening."""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

import msgspec

from crossgrain.catalogue import Catalogue
from crossgrain.core.waiting import with_plan
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.nightly.naming import BY_REFERENCE, Naming, PatientNamed
from crossgrain.nightly.scan import EVIDENCE
from crossgrain.reading.door import Look
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_course
from crossgrain.screening.course import (
    Flag,
    FlagSummary,
    Screened,
    ScreeningOutcome,
    Undecided,
)
from crossgrain.screening.screen import Ruler, screen, to_review
from crossgrain.sheet.sources import sources_in


class EvidenceLine(msgspec.Struct, omit_defaults=True):
    """One fact and the resources that tell of it."""

    statement: str
    references: list[str] = []


class FlagLine(msgspec.Struct, omit_defaults=True):
    """A flag in plain values; ratios and TSH as exact fractions, ``22/25``.

    `rank` sorts the worklist: the most pressing first, then the most certain, then the furthest
    off.
    """

    code: str
    grade: str
    urgency: str
    switch: str
    switched_on: date
    old_kinds: list[str]
    new_kinds: list[str]
    ratios: dict[str, str]
    statement: str
    arithmetic: list[str]
    evidence: list[EvidenceLine]
    act: str
    source: str
    rank: list[float]
    summary: FlagSummary
    aims: list[str] = []
    tsh_before: str | None = None
    tsh_after: str | None = None


class Answer(msgspec.Struct, omit_defaults=True):
    """One patient's answer; `lost` names what an open flag rests on and did not come."""

    patient: str
    outcome: ScreeningOutcome
    named: PatientNamed = PatientNamed()
    why: str = ""
    references: list[str] = []
    lost: list[str] = []
    switched_on: date | None = None
    ratios: dict[str, str] = {}
    tsh_after: str | None = None
    flags: list[FlagLine] = []


def answer_of(
    patient: str, screened: Screened, lost: tuple[str, ...] = (), named: PatientNamed | None = None
) -> Answer:
    """The answer of one patient in plain values; `named` is kept of those who are listed."""
    is_listed = screened.outcome in {ScreeningOutcome.FLAGGED, ScreeningOutcome.NEEDS_REVIEW}
    return Answer(
        patient=patient,
        outcome=screened.outcome,
        named=named if named and is_listed else PatientNamed(),
        why=screened.why,
        references=list(screened.references),
        lost=list(lost),
        switched_on=screened.switched_on,
        ratios=_ratios(screened.ratios),
        tsh_after=_written(screened.tsh_after),
        flags=[flag_line(flag) for flag in screened.flags],
    )


def flag_line(flag: Flag) -> FlagLine:
    """A flag in plain values."""
    certain, pressing, furthest, _ = flag.rank
    return FlagLine(
        code=flag.code,
        grade=flag.grade,
        urgency=flag.urgency,
        switch=flag.switch,
        switched_on=flag.switched_on,
        old_kinds=sorted(flag.old_kinds),
        new_kinds=sorted(flag.new_kinds),
        ratios=_ratios(flag.ratios),
        statement=flag.statement,
        arithmetic=list(flag.arithmetic),
        evidence=[EvidenceLine(e.statement, list(e.references)) for e in flag.evidence],
        act=flag.act,
        source=flag.source,
        rank=[float(pressing), float(certain), furthest],
        summary=flag.summary,
        aims=sorted(flag.aims),
        tsh_before=_written(flag.tsh_before),
        tsh_after=_written(flag.tsh_after),
    )


def _ratios(ratios: Mapping[str, Fraction]) -> dict[str, str]:
    return {basis: str(ratio) for basis, ratio in ratios.items()}


def _written(value: Fraction | None) -> str | None:
    return None if value is None else str(value)


ENCODE = msgspec.json.Encoder().encode
DECODE = msgspec.json.Decoder(Answer).decode


_ENTRY = re.compile(r"Bundle\.entry\[(\d+)\](?:\.resource)?")


@frozen
class JudgedPatient:
    """What came of one patient.

    Attributes
    ----------
    lines : the resources
    lost : names of resources that did not come, on which a flag of an earlier night rests
    """

    lines: Sequence[bytes]
    lost: tuple[str, ...] = ()


def record_of(rows: Iterable[tuple[str, str, str, bytes | None]]) -> JudgedPatient:
    """One patient's rows, each its type, id, role and line, as a record."""
    lines: list[bytes] = []
    lost: list[str] = []
    for kind, own_id, role, body in rows:
        if role == EVIDENCE:
            lost.append(f"{kind}/{own_id}")
        else:
            lines.append(bytes(body or b""))
    return JudgedPatient(lines, tuple(lost))


@frozen
class Judge:
    """What every patient of a run is judged with."""

    catalogue: Catalogue
    ruler: Ruler
    version: FhirVersion
    naming: Naming = BY_REFERENCE

    def answer(self, patient: str, record: JudgedPatient) -> Answer:
        """The answer of one patient; what cannot be read ends as needing review.

        So does a record on which the service itself fails: one patient must not keep a
        population from being screened, nor be left out of it. And so does one that lacks what
        an open flag rests on: that the flag is not found in the rest tells nothing.
        """
        try:
            screened = self._screened(record.lines)
        except Exception as fault:
            said = f"the service itself failed on this record ({type(fault).__name__})"
            screened = Screened(ScreeningOutcome.NEEDS_REVIEW, why=said)
        missed = _missed(screened, record.lost)
        if missed and screened.outcome not in {
            ScreeningOutcome.FLAGGED,
            ScreeningOutcome.NEEDS_REVIEW,
        }:
            screened = Screened(ScreeningOutcome.NEEDS_REVIEW, why=_LOST, references=missed)
        return answer_of(patient, screened, missed, self._named(record.lines))

    def _named(self, lines: Iterable[bytes]) -> PatientNamed:
        """Who it is, as far as is allowed; nothing of a record that is no JSON."""
        if not self.naming.shown:
            return PatientNamed()
        try:
            return self.naming.of(map(parse, lines))
        except Unreadable:
            return PatientNamed()

    def _screened(self, lines: Iterable[bytes]) -> Screened:
        resources: list[dict[str, Any]] = []
        look: Look = {
            "version": self.version,
            "as_of": self.ruler.as_of,
            "codes": self.catalogue.codes,
            "preparations": self.catalogue.preparations,
            "most_resources": None,  # nobody waits for the answer
        }
        try:
            resources.extend(map(parse, lines))
            bundle = {
                "resourceType": "Bundle",
                "type": "collection",
                "entry": _entries(resources),
            }
            screened = screen(read_course(bundle, **look), self.ruler)
            return with_plan(screened, bundle, look, self.catalogue)
        except Unreadable as wrong:
            asked_of = wrong.expression
            place = _in_the_export(asked_of, resources)
            said = f"{wrong.message} ({place})" if place else wrong.message
            named = _named(resources, lambda path, _: asked_of.startswith(path))
            return Screened(ScreeningOutcome.NEEDS_REVIEW, why=f"{named}{said}")
        except Undecided as undecided:
            review = to_review(undecided)
            named = _named(resources, lambda _, reference: reference in review.references)
            return replace(review, why=f"{named}{review.why}")


def _entries(resources: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Entries of a Bundle; an export whose references name one server is of that server."""
    servers = {server for resource in resources if (server := _server_named(resource))}
    base = servers.pop() if len(servers) == 1 else ""
    return [
        {
            **({"fullUrl": f"{base}/{r.get('resourceType')}/{r.get('id')}"} if base else {}),
            "resource": r,
        }
        for r in resources
    ]


def _server_named(resource: dict[str, Any]) -> str:
    """The server on which a resource says that its patient is, or nothing."""
    subject = resource.get("subject", resource.get("patient"))
    reference = str(subject.get("reference")) if isinstance(subject, dict) else ""
    return reference.partition("/Patient/")[0] if "://" in reference else ""


_LOST = "an open flag rests on resources that are no longer in the record"


def _missed(screened: Screened, lost: tuple[str, ...]) -> tuple[str, ...]:
    """What the answer would have needed of what did not come.

    A death settles a flag whatever else there is, and a result in range whatever older ones
    there were.
    """
    if screened.outcome is ScreeningOutcome.DECEASED:
        return ()
    if screened.outcome is ScreeningOutcome.CLEARED:
        return tuple(name for name in lost if not name.startswith("Observation/"))
    return lost


def _named(resources: Sequence[dict[str, Any]], is_meant: Callable[[str, str], bool]) -> str:
    """What the record calls the medicines or results that a person is to look at, before a colon.

    `is_meant` tells it of a resource by its FHIRPath in the bundle and by its own reference.
    """
    bundle = {"entry": [{"resource": resource} for resource in resources]}
    places = [
        path
        for number, resource in enumerate(resources)
        if resource.get("resourceType") != "Patient"
        and is_meant(
            path := f"Bundle.entry[{number}].resource",
            f"{resource.get('resourceType')}/{resource.get('id')}",
        )
    ]
    labels = (source.label for source in sources_in(bundle, "Bundle").of(*places))
    named = "; ".join(dict.fromkeys(labels))  # once, however often a resource came
    return f"{named}: " if named else ""


def _in_the_export(expression: str, resources: Sequence[dict[str, Any]]) -> str:
    """A place in the bundle that was put together here, by the resource's own name.

    >>> _in_the_export("Bundle.entry[0].resource.dose", [{"resourceType": "Goal", "id": "g1"}])
    'Goal/g1.dose'
    """
    found = _ENTRY.match(expression)
    if not found:
        return expression
    resource = resources[int(found[1])]
    return f"{resource.get('resourceType')}/{resource.get('id')}{expression[found.end() :]}"
