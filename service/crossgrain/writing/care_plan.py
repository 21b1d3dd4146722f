"""The CarePlan that ties the series together, and the plan as a person reads it."""

from collections.abc import Iterable, Iterator

from crossgrain.core.proposal import Outcome
from crossgrain.dosing.plan import BasisRow, Forecast, LabDraw, Plan, PriorTherapy
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.steps import OrderedCourse, SwitchPart
from crossgrain.dosing.wording import dose_words, need_words, standing_words
from crossgrain.names.identity import MODULE_CANONICAL, urn
from crossgrain.names.printing import micrograms, percent
from crossgrain.names.values import frozen
from crossgrain.words.doses import CAUTION, TARGET_WORDS, daily_dose, tablets_a_day, taken
from crossgrain.writing.at_home import beside_the_series, judged_orders
from crossgrain.writing.checkpoint import BranchOption, checkpoint_words, option_words
from crossgrain.writing.checks import check_words
from crossgrain.writing.dosage import fetched
from crossgrain.writing.elements import (
    bullets,
    heading,
    narrative,
    paragraph,
    paragraphs,
    plain,
    table,
)
from crossgrain.writing.going_on import references
from crossgrain.writing.interim import baseline_words, interim_rule
from crossgrain.writing.issues import finding_words
from crossgrain.writing.lab_requests import draw_words
from crossgrain.writing.letterhead import SERIES, Letterhead, Resource, Scope, Wording
from crossgrain.writing.origins import Origins
from crossgrain.writing.series_mark import on_plan, planned_lines

TITLES = {
    Outcome.PLAN: "A proposed switch",
    Outcome.STOP: "No switch is proposed: this must be settled first",
    Outcome.DATA_REQUIRED: "No switch is proposed yet: these questions come first",
}
PARTS = {SwitchPart.OLD: "old", SwitchPart.NEW: "new", SwitchPart.SHARED: "kept"}
"""Which side of the switch a medicine is on."""
NAMES = {
    Kind.LEVOTHYROXINE: "LT4",
    Kind.DESICCATED_THYROID: "desiccated",
    Kind.LIOTHYRONINE: "LT3",
    Kind.FIXED_RATIO: "fixed ratio, T4",
    Kind.COMPOUNDED: "compounded",
}
"""In the order in which a combination is written."""


@frozen
class Digest:
    """The plan in short.

    Attributes
    ----------
    title : from what to what
    summary : the plan in two sentences
    findings, forecasts : blocks of XHTML
    """

    title: str
    summary: str
    findings: str
    forecasts: str


def digest_of(letter: Letterhead, plan: Plan) -> Digest:
    """Put a plan in short."""
    if letter.going_on:
        title, summary = letter.going_on.title, next_summary(letter)
    else:
        title = _title(letter, plan)
        summary = _summary(letter, plan, title)
    return Digest(
        title=plain(title),
        summary=plain(summary),
        findings=findings_block(letter),
        forecasts=forecast_list(letter.wording, plan.ways),
    )


def _title(letter: Letterhead, plan: Plan) -> str:
    now = taken(letter.proposal.record.regimen) or "no thyroid hormone"
    return f"Move from {now} to {TARGET_WORDS[plan.target]}"


def _summary(letter: Letterhead, plan: Plan, title: str) -> str:
    checkpoint = plan.checkpoint
    held = f", held at {dose_words(checkpoint.held)}," if checkpoint.held_above else ""
    return (
        f"{title}, starting on {letter.words(0)}: on the basis {plan.basis_id} the"
        f" target is {dose_words(plan.aim)} a day{need_words(plan.need)}. The dose goes"
        f" to the checkpoint of {dose_words(checkpoint.dose)} a day{held} and waits there for"
        f" labs on {letter.words(checkpoint.lab_day)}."
    )


def next_summary(letter: Letterhead) -> str:
    """A next step in short: the act, where the patient stands, why, and what comes next."""
    if letter.going_on is None:
        return ""
    said = [f"{letter.going_on.title}.", *letter.going_on.said]
    if letter.plan:
        said.append(_from_today(letter, letter.plan))
    return " ".join(said)


def _from_today(letter: Letterhead, plan: Plan) -> str:
    """What is taken from the first day on, and when blood is drawn next."""
    lines = " and ".join(map(daily_dose, plan.steps[0].lines)) or "no thyroid hormone"
    drawn = [draw for draw in plan.labs if draw.day >= 0]
    labs = f" Blood is drawn next on {letter.words(drawn[0].day)}." if drawn else ""
    return f"From {letter.words(0)}: {lines}.{labs}"


PRIOR_WORDS = {
    PriorTherapy.OVERLAP: "the old dose tapers while the new one is built up",
    PriorTherapy.STOP: "the old dose ends on day one",
}


def dose_table(wording: Wording, courses: tuple[OrderedCourse, ...]) -> str:
    """Every dose with its dates and tablets."""
    rows = (
        (
            wording.words(course.first_day),
            wording.words(course.last_day),
            daily_dose(course.line),
            tablets_a_day(course.line),
        )
        for course in courses
    )
    return table(("From", "To", "Dose", "Tablets a day"), rows)


def lab_list(wording: Wording, draws: tuple[LabDraw, ...]) -> str:
    """The blood draws."""
    return bullets(draw_words(wording, draw) for draw in draws)


def check_list(letter: Letterhead, scope: Scope) -> str:
    """What else is measured in a part of the plan, or nothing."""
    return bullets(check_words(letter, check) for check in letter.checks_in(scope))


def findings_block(letter: Letterhead) -> str:
    """The findings, most severe first, or nothing."""
    if not letter.findings:
        return ""
    return heading("Safety findings") + bullets(
        " ".join(finding_words(letter, finding)) for finding in letter.findings
    )


def comparison_table(comparison: tuple[BasisRow, ...]) -> str:
    """The target on every basis, the one that was used marked."""
    return table(
        ("Basis", "LT4-equivalent now", "Target a day", "Against the published trials", "Source"),
        map(_row, comparison),
    )


def _row(row: BasisRow) -> tuple[str, str, str, str, str]:
    worth = row.lt4_equivalent_ug
    name = row.basis_id if row.sets_checkpoint else f"{row.basis_id} (for comparison only)"
    return (
        name,
        "-" if worth is None else micrograms(worth),
        dose_words(row.target) if row.target else row.refused,
        standing_words(row.basis.standing) if row.basis.standing else "-",
        row.basis.source,
    )


def forecast_list(wording: Wording, forecasts: tuple[Forecast, ...]) -> str:
    """How low the patient runs under the plan, and under the prior therapy not chosen."""
    return bullets(
        _forecast(wording, forecast, chosen)
        for forecast, chosen in zip(forecasts, ("Proposed", "Not chosen"), strict=False)
    )


def _forecast(wording: Wording, forecast: Forecast, chosen: str) -> str:
    lowest, t3 = forecast.lowest, forecast.t3_exposure
    return (
        f"{chosen}, {forecast.prior_therapy} ({PRIOR_WORDS[forecast.prior_therapy]}):"
        f" lowest coverage {percent(lowest.lowest.value)} of the old regimen on"
        f" {wording.words(int(lowest.lowest.day))} (basis {lowest.basis_id});"
        f" T3 exposure {percent(t3[0].value)} to {percent(t3[1].value)}.{_band(forecast)}"
    )


def _band(forecast: Forecast) -> str:
    if forecast.band is None:
        return ""
    low, high = map(percent, forecast.band.lowest_coverage)
    return f" Over the band of the model's parameters the lowest coverage is {low} to {high}."


def checkpoint_block(letter: Letterhead, plan: Plan, choices: Iterable[BranchOption]) -> str:
    """The checkpoint and its branches with their doses and draws."""
    return (
        heading("Checkpoint")
        + paragraph(checkpoint_words(letter, plan))
        + "".join(_branches(letter, choices))
    )


def _branches(letter: Letterhead, choices: Iterable[BranchOption]) -> Iterator[str]:
    for choice in choices:
        yield paragraph(option_words(letter, choice))
        yield dose_table(letter.wording, choice.courses)
        yield lab_list(letter.wording, choice.branch.labs)
        yield check_list(letter, letter.option_scope(choice.branch))
        yield bullets(choice.endings)


PHARMACY = ("Fetch by", "Product", "Tablets", "Lasts until")


@frozen
class Contents:
    """What a care plan holds: the plan, what is said of it, and the requests that carry it out."""

    plan: Plan
    digest: Digest
    courses: tuple[OrderedCourse, ...]
    activities: tuple[Resource, ...]
    choices: tuple[BranchOption, ...]


def care_plan(letter: Letterhead, contents: Contents) -> Resource:
    """The unconditional series and the checkpoint, as activities of one plan."""
    digest = contents.digest
    body = letter.head("CarePlan", "CarePlan", _narrative(letter, contents))
    body["extension"] = on_plan(
        letter.series_parts,
        planned_lines(
            contents.plan, letter.day_one, letter.going_on.before_today if letter.going_on else ()
        ),
    )
    body["instantiatesCanonical"] = [f"{MODULE_CANONICAL}|{letter.service_version}"]
    body |= letter.replaces("CarePlan")
    body["status"] = "draft"
    body["intent"] = "proposal"
    body["title"] = digest.title
    body["description"] = digest.summary
    body["subject"] = letter.patient
    if letter.encounter:
        body["encounter"] = {"reference": letter.encounter}
    body["period"] = {
        "start": letter.iso(0),
        "end": letter.iso(contents.plan.steps[-1].last_day),
    }
    body["created"] = letter.authored
    if addressed := letter.reasons.get("reasonReference"):
        body["addresses"] = references(each["reference"] for each in addressed)
    supporting = [entry.reference for entry in letter.proposal.record.current]
    supporting += [entry.reference for entry in judged_orders(letter.proposal)]
    origins = Origins(letter.proposal.record)
    stands = (origins.reference_to(known.origin) for known in letter.proposal.baseline.stands)
    supporting += [known["reference"] for known in stands if "reference" in known]
    supporting += letter.issue_urns
    if supporting:
        body["supportingInfo"] = [{"reference": ref} for ref in dict.fromkeys(supporting)]
    stand = letter.going_on.kept_references if letter.going_on else ()
    body["activity"] = [
        {"reference": {"reference": reference}}
        for reference in (
            *sorted(stand),
            *(urn(activity["id"]) for activity in contents.activities),
        )
    ]
    body["note"] = letter.notes(*beside_the_series(letter.proposal), waits=letter.any_waits)
    return body


def _stand(letter: Letterhead) -> str:
    """The filed orders that go on as they are, where there are any."""
    words = letter.going_on.kept_in_words if letter.going_on else ()
    return heading("Orders that stand") + bullets(words) if words else ""


def _narrative(letter: Letterhead, contents: Contents) -> dict[str, str]:
    tasks = [a["description"] for a in contents.activities if a["resourceType"] == "Task"]
    return narrative(
        paragraph(CAUTION),
        paragraph(contents.digest.summary),
        bullets(beside_the_series(letter.proposal)),
        contents.digest.findings,
        heading("Doses"),
        dose_table(letter.wording, contents.courses),
        _stand(letter),
        heading("At the pharmacy"),
        table(PHARMACY, (fetched(letter.wording, made) for made in contents.plan.prescriptions)),
        bullets(tasks),
        heading("Blood tests"),
        bullets(baseline_words(letter)),
        lab_list(letter.wording, contents.plan.labs),
        paragraphs(interim_rule(letter.proposal.tsh, contents.plan)),
        check_list(letter, SERIES),
        checkpoint_block(letter, contents.plan, contents.choices),
        heading("Modelled hormone during the move"),
        contents.digest.forecasts,
    )
