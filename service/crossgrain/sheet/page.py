"""The plan sheet of a proposal or of a next step, as bytes of HTML; and its dates alone."""

from base64 import b64encode
from collections.abc import Iterable, Iterator
from enum import StrEnum
from typing import Any

from crossgrain.catalogue import Catalogue
from crossgrain.core.next_step import NextStep
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
from crossgrain.names.values import frozen
from crossgrain.reading.record import Question, Unread
from crossgrain.safety.rule import Severity
from crossgrain.sheet import evidence, patient
from crossgrain.sheet.chart import NARROW, WIDE, draw
from crossgrain.sheet.charted import Charted, charted
from crossgrain.sheet.course import Course, course_of, past_of
from crossgrain.sheet.dates import calendar_file
from crossgrain.sheet.days import (
    checks_words,
    choices,
    drawn,
    lab_words,
    next_up,
    order_rows,
    patient_steps,
    series_endings,
)
from crossgrain.sheet.figures import (
    WAYS,
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
from crossgrain.sheet.locale import DEFAULT, Locale, locale
from crossgrain.sheet.person import NOBODY, PatientHeading
from crossgrain.sheet.rendering import render
from crossgrain.sheet.sources import NO_SOURCES, Source, Sources
from crossgrain.words.doses import CAUTION, DateWords, taken
from crossgrain.writing.at_home import home_supplies, judged_orders
from crossgrain.writing.care_plan import PRIOR_WORDS, TITLES
from crossgrain.writing.condition_notes import left_open
from crossgrain.writing.dosage import fetched
from crossgrain.writing.interim import baseline_words, interim_rule
from crossgrain.writing.letterhead import SERIES, Letterhead, letterhead_for
from crossgrain.writing.next_step import going_on as going_on_of

SEVERITY_LABELS = {
    Severity.STOP: "Stop: no series until this is settled",
    Severity.HOLD: "Hold: not to be started before this is done",
    Severity.NOTE: "Note",
}
LABELS_AT_VISIT = {**SEVERITY_LABELS, Severity.HOLD: "Hold: no dose rises before this is done"}


class SheetPart(StrEnum):
    """Which part of a sheet."""

    BOTH = "both"
    PRESCRIBER = "prescriber"
    PATIENT = "patient"


@frozen
class Sheet:
    """What a sheet is of.

    Attributes
    ----------
    proposal : what the service made of a record
    step : given where that is the visit in a course, or the next dose of what is taken
    """

    proposal: Proposal
    step: NextStep | None = None

    @classmethod
    def of(cls, step: NextStep) -> "Sheet":
        """The sheet of a visit."""
        return cls(step.proposal, step)

    def letter(self, service_version: str, catalogue: Catalogue, dated: DateWords) -> Letterhead:
        """What an answer to the same call carries, its sentences with dates as `dated` has them."""
        going_on = going_on_of(self.step, dated) if self.step else None
        return letterhead_for(
            self.proposal, service_version, catalogue.codes, going_on, dated=dated
        )

    def course(self, letter: Letterhead) -> Course | None:
        """Where the patient stands."""
        if self.step is None or letter.going_on is None:
            return None
        return course_of(self.step, letter.going_on, letter.wording.dated)

    @property
    def moves(self) -> bool:
        """Whether the patient moves to another medicine, rather than to another dose."""
        standing = self.step and self.step.standing
        return not (standing and standing.underway.checkpoint is None)


def sheet_html(
    of: Proposal | Sheet,
    catalogue: Catalogue,
    *,
    service_version: str,
    person: PatientHeading = NOBODY,
    tag: str = DEFAULT,
    sources: Sources = NO_SOURCES,
    page: SheetPart = SheetPart.BOTH,
) -> bytes:
    """A page, self-contained, the same bytes for the same proposal.

    Parameters
    ----------
    of : what the service made of a record, or of a visit
    catalogue : the tables that it was made by
    service_version : shown at the foot
    person : whose it is, for paper
    tag : the locale: of all dates, and of every word of the patient's part
    sources : what the record calls what is asked about, found, read or passed over
    page : which part; the patient's, where there is no plan, says to go on as now
    """
    sheet = of if isinstance(of, Sheet) else Sheet(of)
    chosen = locale(tag)
    letter = sheet.letter(service_version, catalogue, chosen.dated)
    shown: dict[str, Any] = {
        "person": person,
        "born": chosen.written(person.born),
        "version": service_version,
        "plan_id": letter.plan_id,
        "plan": letter.plan,
        "locale": chosen,
        "say": chosen.say,
        "moves": sheet.moves,
    }
    if page is not SheetPart.PATIENT:
        shown |= _for_the_prescriber(sheet, letter, catalogue, sources, chosen)
    if letter.plan and page is not SheetPart.PRESCRIBER:
        shown |= _for_the_patient(letter, letter.plan, catalogue, chosen)
    return render("patient_page.html" if page is SheetPart.PATIENT else "sheet.html", shown)


def _for_the_prescriber(
    sheet: Sheet, letter: Letterhead, catalogue: Catalogue, sources: Sources, locale: Locale
) -> dict[str, Any]:
    proposal, course = sheet.proposal, sheet.course(letter)
    shown: dict[str, Any] = {
        "title": course.title if course else TITLES[proposal.outcome],
        "course": course,
        "ways": WAYS,
        "caution": CAUTION,
        "as_of": locale.dated(proposal.request.as_of),
        "start": locale.dated(proposal.request.start),
        "record": proposal.record,
        **_of_the_record(proposal, sources, locale),
        "findings": letter.findings,
        "stops": sum(found.severity is not Severity.NOTE for found in letter.findings),
        "severity_labels": LABELS_AT_VISIT if course else SEVERITY_LABELS,
    }
    if letter.plan:
        past = past_of(sheet.step, letter.plan, catalogue) if sheet.step else None
        chart = charted(proposal, letter.plan, catalogue, past)
        shown |= _planned(letter, letter.plan, catalogue, chart, locale)
    return shown


def _for_the_patient(
    letter: Letterhead, plan: Plan, catalogue: Catalogue, locale: Locale
) -> dict[str, Any]:
    at_home = _at_home(letter, plan)
    steps = patient_steps(plan, letter.proposal.request.start, at_home, locale)
    calendar = calendar_file(letter, plan, steps, locale)
    return {
        "steps": steps,
        "calendar": b64encode(calendar).decode(),
        **patient.part(letter, plan, steps, at_home, catalogue, locale),
    }


def calendar_of(
    of: Proposal | Sheet, catalogue: Catalogue, *, service_version: str, tag: str = DEFAULT
) -> bytes | None:
    """The dates alone as an iCalendar file, or ``None`` where there is no plan."""
    sheet = of if isinstance(of, Sheet) else Sheet(of)
    chosen = locale(tag)
    letter = sheet.letter(service_version, catalogue, chosen.dated)
    if letter.plan is None:
        return None
    plan = letter.plan
    start = sheet.proposal.request.start
    steps = patient_steps(plan, start, _at_home(letter, plan), chosen)
    return calendar_file(letter, plan, steps, chosen)


def _at_home(letter: Letterhead, plan: Plan) -> tuple[HomeUse, ...]:
    """What becomes of the tablets at home."""
    return home_uses(home_supplies(letter.proposal.record.current), plan.steps, plan.ended_products)


def _of_the_record(proposal: Proposal, sources: Sources, locale: Locale) -> dict[str, Any]:
    """What is asked, answered, to be confirmed, read and not read, by what the record calls it."""
    record = proposal.record

    def asked(questions: Iterable[Question]) -> list[tuple[str, str, list[Source]]]:
        return [
            (each.question, each.expression, sources.of(each.expression, each.of, each.beside))
            for each in questions
        ]

    return {
        "questions": asked(record.questions),
        "confirm": asked(record.confirm),
        "answered": [
            (each.question, each.answer, each.expression, sources.of(each.expression))
            for each in record.testimony.confirmed
        ],
        "reads": list(_reads(proposal, sources)),
        "unread": [
            (why, [(sources.of(one.expression), one.expression) for one in same])
            for why, same in _by_reason(record.unread)
        ],
        "beside": [(sources.of(each.path), each.reference) for each in judged_orders(proposal)],
        "sources_of": lambda places: sources.of(*places),
        "written": locale.written,
    }


def _reads(proposal: Proposal, sources: Sources) -> Iterator[tuple[str, list[Source], str, str]]:
    """Each medicine as read: its dose, what the record calls it, its state, where it stands."""
    for entry in (*proposal.record.current, *proposal.record.drafts):
        dose = taken(entry.lines) or "no dose that could be read"
        yield dose, sources.of(entry.path), entry.state, entry.reference


def _by_reason(unread: Iterable[Unread]) -> Iterable[tuple[str, list[Unread]]]:
    """What was passed over, all of one reason together."""
    grouped: dict[str, list[Unread]] = {}
    for one in unread:
        grouped.setdefault(one.why, []).append(one)
    return grouped.items()


def _planned(
    letter: Letterhead, plan: Plan, catalogue: Catalogue, chart: Charted, locale: Locale
) -> dict[str, Any]:
    proposal = letter.proposal
    return {
        "now": taken(proposal.record.regimen),
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
        "today": order_rows(letter, [made for made in letter.series if not made.first_day]),
        "fetched": [fetched(letter.wording, made) for made in plan.prescriptions],
        "endings": series_endings(letter, plan),
        "drawn": drawn(plan.labs),
        "labs": (*baseline_words(letter), *lab_words(letter, plan.labs)),
        "checks": checks_words(letter, SERIES),
        "next_up": next_up(letter, plan),
        "on_the_way": interim_rule(proposal.tsh, plan),
        "choices": list(choices(letter, plan)),
        "left_open": left_open(proposal.tsh, plan),
        "words": letter.words,
        **_charts(chart, forecasts(letter, plan), locale),
    }


def _exchanged(plan: Plan) -> str:
    """Which product takes the place of which, and the difference that labels do not show."""
    if plan.exchange is None:
        return ""
    return f"{exchanged_words(plan.exchange)} {by_weight_words(plan.exchange)}"


def _charts(chart: Charted, extremes: list[ForecastRow], locale: Locale) -> dict[str, Any]:
    words = describe(extremes)
    return {
        "forecasts": extremes,
        "chart": chart,
        "drawings": [draw(chart, size, words, locale.tick) for size in (WIDE, NARROW)],
        "data_rows": list(data_rows(chart, locale.dated)),
        "hover_data": hover_data(chart, locale.dated),
    }
