"""One proposal, in the order in which a prescriber reads: what was read, what stands in the
way, what it is worth, what to do, what is known of it."""

from crossgrain.catalogue import Catalogue
from crossgrain.cli.show.comparison import show_comparison
from crossgrain.cli.show.coverage import show_prior_therapies
from crossgrain.cli.show.numbers import dose
from crossgrain.cli.show.page import Page
from crossgrain.cli.show.schedule import show_checkpoint, show_labs, show_series
from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import Plan
from crossgrain.reading.record import Record
from crossgrain.safety.findings import Finding, most_severe_first
from crossgrain.words.doses import CAUTION, date_words, taken
from crossgrain.writing.carried_over import beside_the_series
from crossgrain.writing.labels import TITLES, micrograms


def show(proposal: Proposal, catalogue: Catalogue, *, why: bool, page: Page | None = None) -> None:
    """Print the whole answer."""
    page = page or Page()
    request = proposal.request
    page.line(TITLES[proposal.outcome], indent=0, style="bold")
    page.line(
        f"Read as of {date_words(request.as_of)}; day one is {date_words(request.start)}.", indent=0
    )
    _show_read(page, proposal.record)
    _show_questions(page, proposal.record)
    _show_findings(page, proposal.findings)
    if proposal.plan:
        _show_plan(page, proposal.plan, proposal, catalogue, why)
    page.console.print()
    page.line(CAUTION, indent=0, style="bold")


def _show_read(page: Page, record: Record) -> None:
    page.heading("What was read")
    for entry in (*record.current, *record.drafts):
        page.line(f"{taken(entry.lines)} ({entry.reference}, {entry.state})")
    regimen = record.regimen
    if regimen.lines and not record.questions:
        page.line(
            f"Together a day: T4 {micrograms(regimen.t4_ug)}, T3 {micrograms(regimen.t3_ug)}."
        )
    for passed_over in record.unread:
        page.line(f"Not read: {passed_over.expression}: {passed_over.why}")
    for point in record.confirm:
        page.line(f"To confirm: {point.expression}: {point.question}")


def _show_questions(page: Page, record: Record) -> None:
    if not record.questions:
        return
    page.heading("What must be answered")
    for question in record.questions:
        page.line(question.question)
        page.line(question.expression, indent=4, style="dim")


def _show_findings(page: Page, findings: tuple[Finding, ...]) -> None:
    if not findings:
        return
    page.heading("Findings")
    for finding in most_severe_first(findings):
        page.label(finding.severity, finding.statement)
        page.line(f"Do: {finding.action}", indent=9)
        page.line(f"Source: {finding.source}", indent=9, style="dim")


def _show_plan(page: Page, plan: Plan, proposal: Proposal, catalogue: Catalogue, why: bool) -> None:
    start = proposal.request.start
    show_comparison(page, plan)
    page.line(f"Aim on {plan.basis_id}: {dose(plan.aim)} a day.")
    show_series(page, plan, start)
    for warning in beside_the_series(proposal):
        page.line(warning, style="bold")
    show_checkpoint(page, plan, start)
    show_labs(page, plan.labs, start)
    show_prior_therapies(page, proposal, plan, catalogue)
    if why:
        _show_rationale(page, plan)


def _show_rationale(page: Page, plan: Plan) -> None:
    page.heading("Why")
    for number, statement in enumerate(plan.rationale, start=1):
        page.line(f"{number}. {statement.title}")
        page.line(statement.arithmetic, indent=5)
        if statement.inputs:
            page.line(f"From: {', '.join(statement.inputs)}", indent=5, style="dim")
        page.line(f"Source: {statement.source}", indent=5, style="dim")
