"""The summary of a run as one HTML page that opens offline: counts, funnel, charts, worklist.

Nothing in it is loaded from elsewhere, and its content policy lets nothing be: the one script
is named by its digest.
"""

import base64
import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from html import escape
from importlib.resources import files
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

from crossgrain.names.printing import decimal
from crossgrain.nightly.issues import RATIO_STEPS, TSH_STEPS, Ledger
from crossgrain.nightly.judging import FlagLine
from crossgrain.nightly.outputs import NO_HORMONE, SUMMARY
from crossgrain.nightly.workdir import OWNER_ONLY
from crossgrain.screening.course import FlagGrade, ScreeningOutcome
from crossgrain.words.doses import CAUTION

_WIDTH, _ROW, _LEFT, _RIGHT = 360, 18, 70, 60


def histogram(title: str, ends: Sequence[Fraction], counts: Sequence[int]) -> str:
    """One bar per class; `ends` are the upper ends of all classes but the last."""
    most = max(counts) or 1
    bars = "".join(
        _bar(row, label, count, most)
        for row, (label, count) in enumerate(zip(_labels(ends), counts, strict=True))
    )
    height = _ROW * len(counts)
    return (
        f"<figure><figcaption>{escape(title)}</figcaption>"
        f'<svg viewBox="0 0 {_WIDTH} {height}" role="img" aria-label="{escape(title)}">'
        f"{bars}</svg></figure>"
    )


def _bar(row: int, label: str, count: int, most: int) -> str:
    top = row * _ROW
    width = (_WIDTH - _LEFT - _RIGHT) * count / most
    return (
        f'<text x="{_LEFT - 6}" y="{top + 12}" text-anchor="end">{label}</text>'
        f'<rect x="{_LEFT}" y="{top + 2}" width="{width:.1f}" height="{_ROW - 5}"></rect>'
        f'<text x="{_LEFT + width + 4:.1f}" y="{top + 12}">{count or ""}</text>'
    )


def _labels(ends: Sequence[Fraction]) -> list[str]:
    """What each class holds.

    >>> _labels((Fraction(1), Fraction(2)))
    ['below 1', '1 to 2', '2 and up']
    """
    first, last = f"below {decimal(ends[0])}", f"{decimal(ends[-1])} and up"
    between = [f"{decimal(low)} to {decimal(high)}" for low, high in pairwise(ends)]
    return [first, *between, last]


MOST_ROWS = 20_000
"""Flags shown in the page; the table and the NDJSON hold all of them."""
MOST_REVIEWS = 1000
_HEADINGS = ("#", "patient", "finding", "grade", "urgency", "switched", "new : old", "TSH")


def write_summary(folder: Path, report: dict[str, Any], ledger: Ledger) -> None:
    """Write the page."""
    path = folder / SUMMARY
    path.write_text("".join(_page(report, ledger)), "utf-8")
    path.chmod(OWNER_ONLY)


def _page(report: dict[str, Any], ledger: Ledger) -> Iterator[str]:
    script = _asset("summary.js")
    yield _head(script)
    yield f"<main><h1>Past changes of thyroid preparation</h1><p class=small>{_about(report)}</p>"
    yield from _banner(report)
    yield "<h2>From everyone to the worklist</h2>"
    yield _funnel(report)
    yield "<h2>What was found</h2>"
    yield _found(report)
    yield "<h2>Every switch in the population</h2>"
    yield _charts(ledger)
    yield "<h2>Worklist</h2>"
    yield _worklist(report, ledger)
    yield "<h2>Needs review</h2>"
    yield _reviews(report, ledger)
    yield f"</main><footer><p>{escape(CAUTION)}</p></footer>"
    yield f"<script>{script}</script></body></html>\n"


def _asset(name: str) -> str:
    return files("crossgrain.nightly").joinpath("assets", name).read_text("utf-8")


def _head(script: str) -> str:
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width">'
        "<title>Past changes of thyroid preparation</title>"
        f"<style>{_asset('summary.css')}</style></head><body>"
    )


def _about(report: dict[str, Any]) -> str:
    since = f", switches since {report['since']}" if report["since"] else ""
    return escape(
        f"{report['service']} {report['version']}, FHIR {report['fhir']}, read as of"
        f" {report['as_of']}{since}; judged on {', '.join(report['bases'])};"
        f" {len(report['inputs'])} files, {report['lines']['read']:,} lines"
    )


def _banner(report: dict[str, Any]) -> Iterator[str]:
    if report["doubts"]:
        said = "".join(f"<li>{escape(doubt)}</li>" for doubt in report["doubts"])
        closed = "" if report["whole"] else " No earlier flag was closed."
        yield (
            '<div class="banner"><p><b>A part of the export may be missing.</b> What came was'
            f" screened; flags that it would close were carried over.{closed}</p>"
            f"<ul>{said}</ul></div>"
        )
    if not report["faults_in_all"]:
        return
    rows = [
        (f["file"], "" if f["line"] is None else str(f["line"]), f["why"])
        for f in report["faults"][:MOST_REVIEWS]
    ]
    yield (
        '<div class="banner"><p><b>The export could not be read whole.</b> What could be read was'
        " screened; a result may be missing behind any flag, and no earlier flag was closed.</p>"
        f"<details><summary>{report['faults_in_all']} places</summary>"
        f"{_table(('file', 'line', 'why'), rows)}</details></div>"
    )


def _funnel(report: dict[str, Any]) -> str:
    out, everyone = report["patients"]["out"], report["patients"]["in"]
    on_hormone = everyone - out[NO_HORMONE]
    switched = on_hormone - sum(
        out[name]
        for name in (
            ScreeningOutcome.NO_SWITCH,
            ScreeningOutcome.NEEDS_REVIEW,
            ScreeningOutcome.DECEASED,
        )
    )
    steps = [
        ("patients in the export", everyone),
        ("with thyroid hormone", on_hormone),
        ("needing review", out[ScreeningOutcome.NEEDS_REVIEW]),
        ("with a change of preparation", switched),
        ("still climbing", out[ScreeningOutcome.CLIMBING]),
        ("cleared by a result", out[ScreeningOutcome.CLEARED]),
        ("nothing off", out[ScreeningOutcome.SOUND]),
        ("flagged", out[ScreeningOutcome.FLAGGED]),
    ]
    bars = "".join(
        f"<dt>{count:,} {name}</dt>"
        f'<dd><span style="width:{100 * count / max(everyone, 1):.2f}%"></span></dd>'
        for name, count in steps
    )
    return f'<dl class="funnel">{bars}</dl>'


def _found(report: dict[str, Any]) -> str:
    grades = [str(grade) for grade in FlagGrade]
    rows = [
        (code, *(str(counts.get(grade, "")) for grade in grades))
        for code, counts in report["flags"].items()
    ]
    left_out = report["flags_before_since"]
    said = f"<p class=small>{left_out} flags of earlier switches are left out.</p>"
    return _table(("finding", *grades), rows) + (said if left_out else "")


def _charts(ledger: Ledger) -> str:
    counts = ledger.counts
    charts = [
        histogram(f"New over old dose on the basis {basis}", RATIO_STEPS, classes)
        for basis, classes in sorted(counts.ratios.items())
    ]
    charts.append(histogram("Last TSH after the switch, mIU/L", TSH_STEPS, counts.tsh))
    return f'<div class="charts">{"".join(charts)}</div>'


def _worklist(report: dict[str, Any], ledger: Ledger) -> str:
    rows = [
        _entry(place, patient, flag)
        for place, (patient, flag) in enumerate(islice(ledger.flags(), MOST_ROWS), start=1)
    ]
    in_all = sum(sum(counts.values()) for counts in report["flags"].values())
    cut = (
        f"<p class=small>The first {MOST_ROWS:,} of {in_all:,} are shown.</p>"
        if in_all > MOST_ROWS
        else ""
    )
    heads = "".join(f"<th><button type=button>{escape(name)}</button></th>" for name in _HEADINGS)
    # In JSON, "<" may be written as an escape, so no text can end the script element.
    data = json.dumps(rows, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
    return (
        f'{cut}<div class="tools"><label>Search <input id="search" type="search"></label>'
        '<button type="button" id="back">back</button><button type="button" id="on">on</button>'
        '<span id="shown" aria-live="polite"></span></div>'
        '<div class="wide" tabindex="0"><table id="worklist"><thead>'
        f"<tr>{heads}<th>what to do next</th></tr></thead><tbody></tbody></table></div>"
        f'<script type="application/json" id="worklist-data">{data}</script>'
    )


def _entry(place: int, patient: str, flag: FlagLine) -> dict[str, Any]:
    ratios = {basis: Fraction(ratio) for basis, ratio in flag.ratios.items()}
    smallest = min(ratios.values(), default=Fraction(0))
    return {
        "rank": place,
        "patient": patient,
        "code": flag.code.replace("-", " "),
        "grade": flag.grade,
        "urgency": flag.urgency,
        "switched_on": flag.switched_on.isoformat(),
        "ratios": round(float(smallest), 4),
        "spread": " · ".join(f"{basis} {decimal(ratio)}" for basis, ratio in ratios.items()),
        "tsh": None if flag.tsh_after is None else round(float(Fraction(flag.tsh_after)), 4),
        "statement": flag.statement,
        "arithmetic": flag.arithmetic,
        "act": flag.act,
    }


def _reviews(report: dict[str, Any], ledger: Ledger) -> str:
    in_all = report["patients"]["out"][ScreeningOutcome.NEEDS_REVIEW]
    rows = [(a.patient, a.why) for a in islice(ledger.reviews(), MOST_REVIEWS)]
    said = (
        f"<p class=small>{in_all:,} patients whose record cannot be read with certainty"
        f"{f'; the first {MOST_REVIEWS:,} are shown' if in_all > MOST_REVIEWS else ''}.</p>"
    )
    return said + (_table(("patient", "why"), rows) if rows else "")


def _table(headings: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    head = "".join(f"<th>{escape(cell)}</th>" for cell in headings)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    return f'<div class="wide" tabindex="0">{table}</div>'
