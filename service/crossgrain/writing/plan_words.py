"""The plan as a person reads it: the blocks of XHTML that narratives are put together from."""

from collections.abc import Iterable, Iterator

from crossgrain.dosing.plan import BasisRow, Forecast, LabDraw, OrderedCourse, Plan, PriorTherapy
from crossgrain.dosing.wording import dose_words, standing_words
from crossgrain.names.printing import micrograms, percent
from crossgrain.words.doses import daily_dose, tablets_a_day
from crossgrain.writing.checkpoint import BranchOption, checkpoint_words, option_words
from crossgrain.writing.issues import finding_words
from crossgrain.writing.labs import lab_days, not_steady
from crossgrain.writing.letterhead import Letterhead
from crossgrain.writing.narrative import bullets, heading, paragraph, table
from crossgrain.writing.wording import Wording

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
    return bullets(
        " ".join((f"{lab_days(wording, draw)}: {draw.statement}", *not_steady(wording, draw)))
        for draw in draws
    )


def findings_block(letter: Letterhead) -> str:
    """The findings, most severe first, or nothing."""
    if not letter.findings:
        return ""
    return heading("Safety findings") + bullets(
        " ".join(finding_words(finding)) for finding in letter.findings
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
        + paragraph(checkpoint_words(letter, plan.checkpoint))
        + "".join(_branches(letter, choices))
    )


def _branches(letter: Letterhead, choices: Iterable[BranchOption]) -> Iterator[str]:
    for choice in choices:
        yield paragraph(option_words(letter, choice))
        yield dose_table(letter.wording, choice.courses)
        yield lab_list(letter.wording, choice.branch.labs)
        yield bullets(choice.endings)
