"""The page that one works from in the morning: the worklist first, then what was counted.

One HTML file that opens offline. Nothing in it is loaded from elsewhere, and its content policy
lets nothing be. Without its script every row is there; the script only hides and sorts.
"""

from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

from markupsafe import Markup

from crossgrain.dosing.bases import Basis
from crossgrain.names.printing import decimal, percent
from crossgrain.names.values import frozen
from crossgrain.nightly.issues import Ledger
from crossgrain.nightly.naming import PatientNamed, chart_link
from crossgrain.nightly.outputs import NO_HORMONE, REVIEWS, SUMMARY, TABLE
from crossgrain.nightly.workdir import ENTRIES, ISSUES, OWNER_ONLY
from crossgrain.nightly.worklist import NightDesk
from crossgrain.screening.course import FlagCode, FlagGrade, ScreeningOutcome, Urgency
from crossgrain.screening.limits import Limits
from crossgrain.screening.writing import GRADES, REASONS
from crossgrain.sheet.rendering import content_policy, page_environment, static
from crossgrain.words.doses import CAUTION

MOST_ROWS = 2000
"""Flags shown in the page, about 4 MB of it: a browser still opens and filters that at once, and no
team works through more in a day. The CSV, the table and the NDJSON hold all of them."""
MOST_REVIEWS = 1000
_HEADS = ("Patient", "Finding", "Dose, old to new", "Last blood test", "Why", "What next")
_URGENCIES = {
    Urgency.URGENT: "pregnancy, a frankly high TSH, or a suppressed one in older age, heart disease"
    " or osteoporosis; in a plan, any frankly high or suppressed TSH that nobody acted on",
    Urgency.SOON: "a confirmed or likely finding, or a plan that waits",
    Urgency.ROUTINE: "everything else",
}


def write_summary(
    folder: Path, report: dict[str, Any], ledger: Ledger, desk: NightDesk, bases: Sequence[Basis]
) -> None:
    """Write the page."""
    style, script = static("palette.css") + _own("summary.css"), _own("summary.js")
    template = page_environment("crossgrain.nightly").get_template("summary.html")
    path = folder / SUMMARY
    path.touch(OWNER_ONLY)
    page = template.stream(
        report=report,
        style=Markup(style),
        script=Markup(script),
        policy=content_policy((style,), (script,)),
        caution=CAUTION,
        heads=_HEADS,
        bases=bases,
        **_listed(report, ledger, desk),
        **_counted(report, ledger),
    )
    page.enable_buffering(100)
    with path.open("wb") as file:
        page.dump(file, "utf-8")


def _own(name: str) -> str:
    return (Path(__file__).parent / "static" / name).read_text("utf-8")


@frozen
class _Review:
    """One patient who could not be judged."""

    patient: str
    named: PatientNamed
    link: str
    why: str


def _listed(report: dict[str, Any], ledger: Ledger, desk: NightDesk) -> dict[str, Any]:
    """The rows, and what is chosen from them by."""
    issues = report["issues"]
    return {
        "rows": desk.entries(islice(ledger.flags(), MOST_ROWS)),
        "most_rows": MOST_ROWS,
        "in_all": ledger.counts.urgencies.total(),
        "carried": issues.get("carried", 0) + issues.get("carried in doubt", 0),
        "files": list(_files(desk)),
        "urgencies": list(_URGENCIES.items()),
        "grades": list(GRADES.items()),
        "filters": _filters(ledger),
        "reviews": _reviews(ledger, desk),
        "most_reviews": MOST_REVIEWS,
        "in_review": report["patients"]["out"][ScreeningOutcome.NEEDS_REVIEW],
    }


def _files(desk: NightDesk) -> Iterator[tuple[str, str]]:
    yield ISSUES, "FHIR flags"
    if desk.night.worklist in ENTRIES:
        yield (
            ENTRIES[desk.night.worklist],
            f"FHIR {ENTRIES[desk.night.worklist].partition('.')[0]}s",
        )
    yield TABLE, "Parquet table"
    yield REVIEWS, "who could not be judged"


def _filters(ledger: Ledger) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """Each choice with its values, as far as there are any."""
    counts = ledger.counts
    graded = {grade for found in counts.flags.values() for grade in found}
    return [
        ("urgency", "Urgency", [(u, u) for u in Urgency if counts.urgencies[u]]),
        ("reason", "Reason", [(code, REASONS[code]) for code in FlagCode if code in counts.flags]),
        ("grade", "Grade", [(grade, grade) for grade in FlagGrade if grade in graded]),
    ]


def _reviews(ledger: Ledger, desk: NightDesk) -> Iterator[_Review]:
    for one in islice(ledger.reviews(), MOST_REVIEWS):
        yield _Review(one.patient, one.named, chart_link(desk.link, one.patient), one.why)


Row = tuple[str, tuple[int, ...], int]
"""A line of a count: its label, its numbers, and the one that is drawn as a bar."""


def _counted(report: dict[str, Any], ledger: Ledger) -> dict[str, Any]:
    """What decides whether the run is to be trusted, and how the clinic judges and switches."""
    counts, limits = ledger.counts, ledger.limits
    tsh = list(zip(_tsh_labels(limits), counts.tsh, strict=True))
    return {
        "counts": counts,
        "low": percent(limits.ratio_under),
        "high": percent(limits.ratio_over),
        "funnel": _funnel(report),
        "everyone": max(report["patients"]["in"], 1),
        "reasons": [(REASONS[c], report["flags"][c]) for c in FlagCode if c in report["flags"]],
        "ratios": [
            (basis, tuple(found), found[0] + found[2])
            for basis, found in sorted(counts.ratios.items())
        ],
        "switched": max((sum(found) for found in counts.ratios.values()), default=1),
        "tsh": [(label, (count,), count) for label, count in tsh],
        "most_tsh": max(*counts.tsh, 1),
    }


def _tsh_labels(limits: Limits) -> tuple[str, ...]:
    suppressed, low, high, frankly = map(
        decimal, (limits.tsh_suppressed, limits.tsh_low, limits.tsh_high, limits.tsh_frankly_high)
    )
    return (
        f"below {suppressed}",
        f"{suppressed} to below {low}",
        f"{low} to {high}",
        f"above {high}, below {frankly}",
        f"{frankly} and above",
    )


def _funnel(report: dict[str, Any]) -> list[Row]:
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
        ("in the export", everyone),
        ("with thyroid hormone", on_hormone),
        ("could not be judged", out[ScreeningOutcome.NEEDS_REVIEW]),
        ("switched, or in a plan that waits", switched),
        ("dose still climbing", out[ScreeningOutcome.CLIMBING]),
        ("cleared by a blood test", out[ScreeningOutcome.CLEARED]),
        ("nothing amiss", out[ScreeningOutcome.SOUND]),
        ("listed", out[ScreeningOutcome.FLAGGED]),
    ]
    return [(name, (count,), count) for name, count in steps]
