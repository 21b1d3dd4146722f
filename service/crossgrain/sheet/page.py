"""The plan sheet as bytes of HTML: what it shows, the templates, what the page may do."""

import re
from base64 import b64encode
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from hashlib import sha256
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from crossgrain.catalogue import Catalogue
from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.supply import HomeUse, home_uses
from crossgrain.dosing.taper_rationale import what_simplicity_costs
from crossgrain.dosing.wording import (
    by_weight_words,
    dose_words,
    exchanged_words,
    need_words,
    off_words,
)
from crossgrain.names.printing import decimal, micrograms
from crossgrain.safety.rule import Severity
from crossgrain.sheet import evidence, patient
from crossgrain.sheet.chart import NARROW, WIDE, draw
from crossgrain.sheet.charted import Charted, charted
from crossgrain.sheet.days import (
    PatientStep,
    blood_tests,
    checks_words,
    choices,
    lab_words,
    order_rows,
    patient_steps,
    series_endings,
)
from crossgrain.sheet.figures import (
    ForecastRow,
    currency,
    data_rows,
    describe,
    dots,
    forecasts,
    hover_data,
    spread,
    spread_words,
)
from crossgrain.sheet.patient import calendar_file
from crossgrain.words.doses import CAUTION, TARGET_WORDS, date_words, taken
from crossgrain.writing.at_home import beside_the_series, home_supplies
from crossgrain.writing.care_plan import PRIOR_WORDS, TITLES
from crossgrain.writing.conditions import left_open
from crossgrain.writing.dosage import fetched
from crossgrain.writing.elements import plain
from crossgrain.writing.interim import baseline_words, interim_rule
from crossgrain.writing.letterhead import SERIES, Letterhead, letterhead_for

_TURNS = re.compile("[\u202a-\u202e\u2066-\u2069]")
"""Characters that turn the direction of what follows: a dose could be made to read backwards."""


def static(name: str) -> str:
    """A stylesheet or script of ours, to stand inside a page."""
    return files("crossgrain.sheet").joinpath("static", name).read_text("utf-8")


def styled(name: str) -> str:
    """The stylesheet of a page that is no sheet: our colours, then its own."""
    return static("palette.css") + static(name)


def shown(value: object) -> object:
    """A value as it may stand on the page; what is not a character to read is shown as U+FFFD."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return _TURNS.sub("\ufffd", plain(value))
    return value


@lru_cache(maxsize=1)  # made with the first page, and its templates compiled once
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("crossgrain.sheet"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=shown,
        auto_reload=False,
    )
    style, script = static("sheet.css"), static("sheet.js")
    environment.globals.update(
        style=Markup(style),
        script=Markup(script),
        policy=content_policy((style,), (script,)),
    )
    return environment


def render(template: str, values: Mapping[str, Any]) -> bytes:
    """A page as bytes."""
    return _environment().get_template(template).render(values).encode()


def content_policy(styles: tuple[str, ...], scripts: tuple[str, ...], *more: str) -> str:
    """A Content-Security-Policy: these styles and scripts, and nothing from anywhere else."""
    return "; ".join(
        (
            "default-src 'none'",
            f"style-src {' '.join(map(_hashed, styles))}",
            f"script-src {' '.join(map(_hashed, scripts))}",
            "base-uri 'none'",
            "form-action 'none'",
            *more,
        )
    )


def sheet_policy(*more: str) -> str:
    """The policy of a plan sheet."""
    return content_policy((static("sheet.css"),), (static("sheet.js"),), *more)


def _hashed(text: str) -> str:
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"


LONGEST = 80
"""Letters of a name or number that are shown; a heading holds no more."""


@dataclass(frozen=True, slots=True)
class PatientHeading:
    """What identifies a patient on paper; each is empty where the record does not say."""

    name: str = ""
    born: str = ""
    number: str = ""


NOBODY = PatientHeading()
"""Nothing known: the sheet leaves lines to be filled in by hand."""


def person_in(bundle: Mapping[str, Any]) -> PatientHeading:
    """The Patient of a Bundle that has been read as a record, so has exactly one.

    Anything in it that is not as FHIR has it is left out rather than complained of.
    """
    for entry in _listed(bundle.get("entry")):
        patient = entry.get("resource")
        if isinstance(patient, dict) and patient.get("resourceType") == "Patient":
            return PatientHeading(
                name=_shortened(_name(patient)),
                born=_shortened(_text(patient.get("birthDate"))),
                number=_shortened(next(_numbers(patient), "")),
            )
    return NOBODY


def _name(patient: Mapping[str, Any]) -> str:
    names = list(_listed(patient.get("name")))
    in_use = [name for name in names if name.get("use") == "official"] or names
    for name in in_use:
        given = name.get("given")
        parts = [*(map(_text, given) if isinstance(given, list) else ()), _text(name.get("family"))]
        written = _text(name.get("text")) or " ".join(filter(None, parts))
        if written:
            return written
    return ""


def _numbers(patient: Mapping[str, Any]) -> Iterator[str]:
    return filter(None, (_text(one.get("value")) for one in _listed(patient.get("identifier"))))


def _listed(value: object) -> Iterator[dict[str, Any]]:
    return (one for one in value if isinstance(one, dict)) if isinstance(value, list) else iter(())


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _shortened(text: str) -> str:
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}…"


SEVERITY_LABELS = {
    Severity.STOP: "Stop: no series until this is settled",
    Severity.HOLD: "Hold: not to be started before this is done",
    Severity.NOTE: "Note",
}


def sheet_html(
    proposal: Proposal,
    catalogue: Catalogue,
    *,
    service_version: str,
    person: PatientHeading = NOBODY,
) -> bytes:
    """The whole page, self-contained, the same bytes for the same proposal.

    Parameters
    ----------
    proposal : what the service made of a record
    catalogue : the tables that it was made by
    service_version : shown at the foot
    person : whose it is, for paper
    """
    letter = letterhead_for(proposal, service_version, catalogue.codes)
    shown: dict[str, Any] = {
        "title": TITLES[proposal.outcome],
        "caution": CAUTION,
        "person": person,
        "as_of": date_words(proposal.request.as_of),
        "start": date_words(proposal.request.start),
        "record": proposal.record,
        "reads": list(_reads(proposal)),
        "findings": letter.findings,
        "severity_labels": SEVERITY_LABELS,
        "version": service_version,
        "plan_id": letter.plan_id,
        "plan": letter.plan,
    }
    if letter.plan:
        shown |= _planned(letter, letter.plan, catalogue)
    return render("sheet.html", shown)


def calendar_of(proposal: Proposal, catalogue: Catalogue, *, service_version: str) -> bytes | None:
    """The dates alone as an iCalendar file, or ``None`` where there is no plan."""
    letter = letterhead_for(proposal, service_version, catalogue.codes)
    if letter.plan is None:
        return None
    plan = letter.plan
    steps = patient_steps(plan, proposal.request.start, _at_home(letter, plan))
    return _calendar(letter, plan, steps)


def _at_home(letter: Letterhead, plan: Plan) -> tuple[HomeUse, ...]:
    """What becomes of the tablets at home."""
    return home_uses(home_supplies(letter.proposal.record.current), plan.steps, plan.ended_products)


def _reads(proposal: Proposal) -> Iterator[tuple[str, str, str]]:
    """Each medicine as read: what, where from, and its state."""
    for entry in (*proposal.record.current, *proposal.record.drafts):
        yield taken(entry.lines) or "no dose that could be read", entry.reference, entry.state


def _planned(letter: Letterhead, plan: Plan, catalogue: Catalogue) -> dict[str, Any]:
    proposal = letter.proposal
    chart = charted(proposal, plan, catalogue)
    at_home = _at_home(letter, plan)
    steps = patient_steps(plan, proposal.request.start, at_home)
    return {
        "now": taken(proposal.record.regimen),
        "target": TARGET_WORDS[plan.target],
        "daily": {
            "T4": micrograms(proposal.record.regimen.t4_ug),
            "T3": micrograms(proposal.record.regimen.t3_ug),
        },
        "prior_words": PRIOR_WORDS[plan.prior_therapy],
        "simplicity": what_simplicity_costs(plan),
        "exchanged": _exchanged(plan),
        "target_words": dose_words,
        "need_words": need_words,
        "micrograms": micrograms,
        "decimal": decimal,
        "dots": dots(plan),
        "currency": currency(plan)[0],
        "off_words": off_words,
        "trials": evidence.drawing(catalogue, plan.basis_id),
        "trial_rows": list(evidence.table_rows(catalogue)),
        "spread": spread(plan),
        "spread_words": spread_words(plan),
        "series": order_rows(letter, letter.series),
        "fetched": [fetched(letter.wording, made) for made in plan.prescriptions],
        "endings": series_endings(letter, plan),
        "beside": beside_the_series(proposal),
        "labs": (*baseline_words(letter), *lab_words(letter, plan.labs)),
        "checks": checks_words(letter, SERIES),
        "on_the_way": interim_rule(proposal.tsh, plan),
        "choices": list(choices(letter, plan)),
        "left_open": left_open(proposal.tsh, plan),
        "words": letter.words,
        **_charts(chart, forecasts(letter, plan)),
        "steps": steps,
        **patient.part(letter, plan, steps, at_home, catalogue),
        "calendar": b64encode(_calendar(letter, plan, steps)).decode(),
    }


def _exchanged(plan: Plan) -> str:
    """Which product takes the place of which, and the difference that labels do not show."""
    if plan.exchange is None:
        return ""
    return f"{exchanged_words(plan.exchange)} {by_weight_words(plan.exchange)}"


def _charts(chart: Charted, extremes: list[ForecastRow]) -> dict[str, Any]:
    words = describe(extremes)
    return {
        "forecasts": extremes,
        "chart": chart,
        "drawings": [draw(chart, size, words) for size in (WIDE, NARROW)],
        "data_rows": list(data_rows(chart)),
        "hover_data": hover_data(chart),
    }


def _calendar(letter: Letterhead, plan: Plan, steps: tuple[PatientStep, ...]) -> bytes:
    request = letter.proposal.request
    labs = blood_tests(plan.labs, request.start, steps)
    return calendar_file(
        letter.plan_id,
        request.as_of,
        steps,
        labs,
        patient.before_the_start(letter.proposal),
        on_hold=patient.on_hold(letter.proposal),
        checks=patient.checks(letter),
        reviews=[
            request.start + timedelta(days=finding.day)
            for finding in letter.findings
            if finding.act and finding.day is not None
        ],
    )
