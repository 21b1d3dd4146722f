"""A proposal in a terminal: the answer, the bases beside each other, coverage day by day."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import groupby

import plotext

from crossgrain.catalogue import Catalogue
from crossgrain.cli.show.reference import Page, count
from crossgrain.core.next_step import NextStep
from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import BasisRow, Branch, Forecast, LabDraw, Plan
from crossgrain.dosing.steps import LineDose, Prescription, Stage, Step
from crossgrain.dosing.wording import dose_words, need_words, standing_words
from crossgrain.names.printing import decimal, micrograms, modelled, percent, short
from crossgrain.reading.question_form import Posed, QuestionForm
from crossgrain.reading.record import Record
from crossgrain.safety.checks import DRAWN, SERIES
from crossgrain.safety.results import TshLimits
from crossgrain.safety.rule import Finding, most_severe_first
from crossgrain.sheet.charted import Charted, charted
from crossgrain.words.doses import CAUTION, date_words, pieces, taken
from crossgrain.writing.at_home import beside_the_series
from crossgrain.writing.care_plan import NAMES, PARTS, TITLES
from crossgrain.writing.checks import name_of
from crossgrain.writing.conditions import BranchCondition, conditions_for
from crossgrain.writing.draw_expressions import Draw
from crossgrain.writing.going_on import GoingOn
from crossgrain.writing.next_step import going_on as onward_in

_HEADINGS = ("from", "days", "each day", "tablets a day", "dispense")


def show_series(page: Page, plan: Plan, start: date) -> None:
    """The unconditional steps, to the checkpoint and through its wait."""
    page.heading(f"The series ({plan.pace} pace, old medicine: {plan.prior_therapy})")
    page.table(_HEADINGS, _rows(plan.steps, plan.prescriptions, start))
    for note in _notes(plan.steps):
        page.line(note, style="dim")


def show_checkpoint(page: Page, plan: Plan, start: date, limits: TshLimits) -> None:
    """Where the climb waits, why there, and the three ways on."""
    checkpoint = plan.checkpoint
    held = f", held at {dose_words(checkpoint.held)}" if checkpoint.held_above else ""
    page.heading(f"The checkpoint: {dose_words(checkpoint.dose)} a day{held}")
    which = "smallest target of any chart" if checkpoint.is_smallest else "largest sourced target"
    page.line(
        f"Reached on {_on(start, checkpoint.day)}, the {which}"
        f" ({checkpoint.set_by}). Bloods on {_on(start, checkpoint.lab_day)}; decide from"
        f" {_on(start, checkpoint.decision_day)}. Nothing rises before those labs."
    )
    _show_branches(page, plan, start, limits)


def show_branches(page: Page, plan: Plan, start: date, limits: TshLimits) -> None:
    """What the labs to come lead to."""
    decides = _on(start, plan.checkpoint.decision_day)
    page.heading(f"When the labs are back, from {decides} on: one of these")
    _show_branches(page, plan, start, limits)


def _show_branches(page: Page, plan: Plan, start: date, limits: TshLimits) -> None:
    conditions = conditions_for(limits, plan, Draw({}))  # their words alone are shown
    for branch in plan.checkpoint.branches:
        _show_branch(page, branch, start, conditions[branch.reading])


def show_labs(page: Page, proposal: Proposal, labs: Sequence[LabDraw]) -> None:
    """When bloods are drawn and what for, what stands already, and what else is measured."""
    start, read_on = proposal.request.start, proposal.request.as_of
    page.heading("Labs")
    for known in proposal.baseline.stands:
        day = _on(read_on, known.day or 0)
        page.line(f"{day}: {DRAWN[known.analyte]} of that day stands, and is not drawn again")
    for draw in labs:
        page.line(f"{_on(start, draw.day)}: {draw.statement}")
    for check in proposal.checks.get(SERIES, ()):
        days = ", ".join(_on(start, day) for day in check.days)
        page.line(f"{name_of(check)}: {days}")


def _show_branch(page: Page, branch: Branch, start: date, condition: BranchCondition) -> None:
    page.line(f"{condition.title}: if {condition.words}. {branch.statement}", style="bold")
    if branch.steps:
        page.table(_HEADINGS, _rows(branch.steps, branch.prescriptions, start))
    for draw in branch.labs:
        page.line(f"Bloods {_on(start, draw.day)}: {draw.statement}", indent=4, style="dim")


def _rows(
    steps: Sequence[Step], prescriptions: Sequence[Prescription], start: date
) -> Iterator[tuple[str, ...]]:
    """One row per medicine; the first of a step says when it begins and how long it lasts."""
    for step in _unchanging(steps):
        when = [(start + timedelta(days=step.first_day)).isoformat(), f"{step.days}"]
        for line in step.lines:
            yield (*when, _taken(line), _tablets(line), _dispensed(line, step, prescriptions))
            when = ["", ""]
        if step.stage is Stage.HOLD:
            yield ("", "", "and wait for labs", "", "")


def _unchanging(steps: Sequence[Step]) -> Iterator[Step]:
    """Steps that follow each other at the same doses, as one."""
    for _, same in groupby(steps, key=lambda step: (step.stage, step.lines)):
        together = list(same)
        yield replace(together[0], last_day=together[-1].last_day)


def _taken(line: LineDose) -> str:
    amount = short(line.amount, line.preparation.unit)
    split = f", in {line.doses_per_day} doses" if line.doses_per_day > 1 else ""
    return f"{PARTS[line.part]} {NAMES[line.preparation.kind]} {amount}{split}"


def _tablets(line: LineDose) -> str:
    if line.tablets is None:
        return "as taken now"
    if line.week:
        return pieces(line)
    return " + ".join(
        f"{count(piece.count)} × {short(piece.strength, line.preparation.unit)}"
        for piece in line.tablets.pieces
    )


def _dispensed(line: LineDose, step: Step, prescriptions: Sequence[Prescription]) -> str:
    """What the orders that begin here hand out, their reserve included; nothing while others run.

    How long it lasts is said where that is not as long as the step.
    """
    begun = [
        made
        for made in prescriptions
        if made.preparation.id == line.preparation.id
        and step.first_day <= made.first_day <= step.last_day
    ]
    tablets = " + ".join(str(made.tablets) for made in begun)
    days = [f"{made.days}" for made in begun]
    if set(days) <= {f"{step.days}"}:
        return tablets
    return f"{tablets} ({' + '.join(dict.fromkeys(days))} d)"


def _notes(steps: Sequence[Step]) -> list[str]:
    return list(dict.fromkeys(line.note for step in steps for line in step.lines if line.note))


def _on(start: date, day: int) -> str:
    return date_words(start + timedelta(days=day))


_ROWS = 14
_MARKERS = ("braille", "dot", "+", "x")
_TICKS = 4
_ROOM_FOR_LEGEND = 1.4


def draw(lines: Mapping[str, Sequence[float]], start: date, columns: int) -> str:
    """Ratios to the old regimen, one value per day, as lines under one legend.

    The lines differ by their marks, not by colour, so that they print.
    """
    plotext.clear_figure()
    plotext.theme("clear")
    plotext.plot_size(columns, _ROWS)
    for (label, ratios), marker in zip(lines.items(), _MARKERS, strict=False):
        percents = [100 * ratio for ratio in ratios]
        plotext.plot(range(len(percents)), percents, label=label, marker=marker)
    top = max(100 * max(ratios) for ratios in lines.values())
    ceiling = top * _ROOM_FOR_LEGEND
    plotext.ylim(0, ceiling)
    levels = range(0, int(ceiling) + 1, 50)
    plotext.yticks(list(levels), [f"{level} %" for level in levels])
    days = max(len(ratios) for ratios in lines.values())
    marks = [days * tick // _TICKS for tick in range(_TICKS)]
    plotext.xticks(marks, [(start + timedelta(days=day)).isoformat() for day in marks])
    plotext.hline(100)
    drawing: str = plotext.build()
    return drawing.rstrip("\n")


_MOST_COLUMNS = 90


def show_prior_therapies(page: Page, proposal: Proposal, plan: Plan, catalogue: Catalogue) -> None:
    """Tapering and stopping side by side, then the plan's own course."""
    page.heading("What happens to the hormone meanwhile (modelled, old regimen = 100 %)")
    page.table(
        ("old one", "lowest", "on basis", "day", "T4 pool", "T3 from", "T3 to", ""),
        (_coverage_row(forecast, plan) for forecast in plan.ways),
    )
    columns = min(page.width - 4, _MOST_COLUMNS)
    page.drawing(draw(_lines(charted(proposal, plan, catalogue)), proposal.request.start, columns))
    page.line(
        "The series as proposed, to the end of the wait for labs. No hormone from a residual"
        " gland is assumed.",
        style="dim",
    )


def _lines(chart: Charted) -> dict[str, tuple[float, ...]]:
    """Coverage on the two bases that lie furthest apart, and T3, at the beginning of each day."""
    own = chart.own
    coverage = {chart.leanest: own.coverage.value, chart.most_generous: own.most_generous}
    lines = {f"coverage on {basis_id}": values[:-1] for basis_id, values in coverage.items()}
    return lines | {"whole T3": own.t3.value[:-1]}


def _coverage_row(forecast: Forecast, plan: Plan) -> tuple[str, ...]:
    low = forecast.lowest
    pool = forecast.t4_pool
    least, most = forecast.t3_exposure
    return (
        forecast.prior_therapy,
        percent(low.lowest.value),
        low.basis_id,
        f"{low.lowest.day:.0f}",
        percent(pool[0].value) if pool else f"ends at {modelled(forecast.t4_pool_end_ug)}",
        percent(least.value),
        percent(most.value),
        "chosen" if forecast.prior_therapy is plan.prior_therapy else "not chosen",
    )


def show_comparison(page: Page, plan: Plan) -> None:
    """The target on every basis; which one is aimed at, which one set the checkpoint."""
    page.heading("The target on every basis")
    page.table(
        ("basis", "old regimen", "target a day", "grade", ""),
        (_row(row, plan) for row in plan.comparison),
    )
    worth = [row.lt4_equivalent_ug for row in plan.comparison if row.lt4_equivalent_ug is not None]
    if worth and min(worth) != max(worth):
        page.line(
            f"The old regimen is worth {micrograms(min(worth))} to {micrograms(max(worth))} LT4,"
            f" a factor of {decimal(max(worth) / min(worth))} between the charts."
        )
    for row in plan.comparison:
        if row.basis_id == plan.basis_id and row.basis.standing:
            page.line(f"“{row.basis_id}” against {standing_words(row.basis.standing)}.")


def _row(row: BasisRow, plan: Plan) -> tuple[str, str, str, str, str]:
    marks = []
    if row.basis_id == plan.basis_id:
        marks.append("aimed at")
    if row.basis_id == plan.checkpoint.set_by:
        marks.append("sets the checkpoint")
    if not row.sets_checkpoint:
        marks.append("comparison only")
    worth = "–" if row.lt4_equivalent_ug is None else f"LT4 {micrograms(row.lt4_equivalent_ug)}"
    target = row.refused or (dose_words(row.target) if row.target else "–")
    return row.basis_id, worth, target, row.basis.grade, ", ".join(marks)


def show(
    proposal: Proposal,
    catalogue: Catalogue,
    *,
    why: bool,
    brief: bool = False,
    page: Page | None = None,
    form: QuestionForm | None = None,
) -> None:
    """Print the whole answer, or, where it is to be brief, without the bases and the forecast."""
    page = page or Page()
    request = proposal.request
    page.line(TITLES[proposal.outcome], indent=0, style="bold")
    page.line(
        f"Read as of {date_words(request.as_of)}; day one is {date_words(request.start)}.", indent=0
    )
    _show_read(page, proposal.record)
    _show_questions(page, proposal.record, form)
    _show_findings(page, proposal.findings)
    if proposal.plan:
        _show_plan(page, proposal.plan, proposal, None if brief else catalogue)
        if why:
            _show_rationale(page, proposal.plan)
    page.console.print()
    page.line(CAUTION, indent=0, style="bold")


def show_next_step(
    step: NextStep, page: Page | None = None, form: QuestionForm | None = None
) -> None:
    """Print what a visit ends with."""
    page = page or Page()
    proposal, going_on = step.proposal, onward_in(step)
    request = proposal.request
    page.line(going_on.title, indent=0, style="bold")
    page.line(
        f"Read as of {date_words(request.as_of)}; it holds from {date_words(request.start)}.",
        indent=0,
    )
    for sentence in going_on.said:
        page.line(sentence)
    if step.standing:
        page.line(f"Source: {step.standing.decision.source}", style="dim")
    _show_read(page, proposal.record)
    _show_questions(page, proposal.record, form)
    _show_findings(page, proposal.findings)
    if proposal.plan:
        show_series(page, proposal.plan, request.start)
        show_labs(page, proposal, proposal.plan.labs)
        show_branches(page, proposal.plan, request.start, proposal.tsh)
    _show_filed(page, going_on)
    page.console.print()
    page.line(CAUTION, indent=0, style="bold")


def _show_filed(page: Page, going_on: GoingOn) -> None:
    """What of the filed plan stands, and what is withdrawn."""
    if going_on.kept_in_words:
        page.heading("Orders that stand")
        for words in going_on.kept_in_words:
            page.line(words)
    if going_on.ended:
        page.heading("Orders that are no longer meant")
        for order in going_on.ended:
            page.line(f"{order.product} ({order.reference})")


def _show_read(page: Page, record: Record) -> None:
    page.heading("What was read")
    for entry in (*record.current, *record.drafts):
        page.line(f"{taken(entry.lines)} ({entry.reference}, {entry.state})")
    regimen = record.regimen
    if regimen.lines and not record.questions:
        page.line(
            f"Together a day: T4 {micrograms(regimen.t4_ug)}, T3 {micrograms(regimen.t3_ug)}."
        )
    by_reason: dict[str, list[str]] = {}
    for passed_over in record.unread:
        by_reason.setdefault(passed_over.why, []).append(passed_over.expression)
    for why, expressions in by_reason.items():
        page.line(f"Not read: {why}: {', '.join(expressions)}")
    for told in record.testimony.confirmed:
        page.line(f"Answered: {told.question} {told.answer}. ({told.expression})")
    for point in record.confirm:
        page.line(f"To confirm: {point.expression}: {point.question}")


def _show_questions(page: Page, record: Record, form: QuestionForm | None) -> None:
    if not record.questions:
        return
    page.heading("What must be answered")
    posed = form.posed if form else ()
    for number, question in enumerate(record.questions):
        page.line(question.question)
        page.line(question.expression, indent=4, style="dim")
        if number < len(posed):
            _show_words(page, posed[number])


def _show_words(page: Page, posed: Posed) -> None:
    """The medicine, its words, and what may be answered."""
    if posed.medicine:
        page.line(posed.medicine, indent=4)
    for words in posed.quoted:
        page.line(words, indent=4)
    for choice in posed.choices:
        page.line(f"- {choice.words}", indent=4)


def _show_findings(page: Page, findings: tuple[Finding, ...]) -> None:
    if not findings:
        return
    page.heading("Findings")
    for finding in most_severe_first(findings):
        page.label(finding.severity, finding.statement)
        page.line(f"Do: {finding.action}", indent=9)
        page.line(f"Source: {finding.source}", indent=9, style="dim")


def _show_plan(page: Page, plan: Plan, proposal: Proposal, catalogue: Catalogue | None) -> None:
    """The plan; with the catalogue, how the bases compare and what the model makes of it too."""
    start = proposal.request.start
    if catalogue:
        show_comparison(page, plan)
    page.line(f"Aim on {plan.basis_id}: {dose_words(plan.aim)} a day{need_words(plan.need)}.")
    show_series(page, plan, start)
    for warning in beside_the_series(proposal):
        page.line(warning, style="bold")
    show_checkpoint(page, plan, start, proposal.tsh)
    show_labs(page, proposal, plan.labs)
    if catalogue:
        show_prior_therapies(page, proposal, plan, catalogue)


def _show_rationale(page: Page, plan: Plan) -> None:
    page.heading("Why")
    for number, statement in enumerate(plan.rationale, start=1):
        page.line(f"{number}. {statement.title}")
        page.line(statement.arithmetic, indent=5)
        if statement.inputs:
            page.line(f"From: {', '.join(statement.inputs)}", indent=5, style="dim")
        page.line(f"Source: {statement.source}", indent=5, style="dim")
