"""``$propose-switch``: a record and a target in, a proposed series with its rationale out."""

from collections.abc import Callable, Sequence
from datetime import date
from importlib.util import find_spec
from typing import Any

from crossgrain.core.proposal import Proposal, SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.targets import Combining, Target
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations.answering import judged_with_answers
from crossgrain.operations.desk import (
    Desk,
    brief_asked,
    days_asked,
    look_at,
    mixture_asked,
    record_in,
    recorded_asked,
    refuse_idle_mixture,
)
from crossgrain.operations.faults import Fault, refusal, refused_by_domain
from crossgrain.operations.filing import to_be_filed
from crossgrain.operations.parameters import Call, Given, Options, call_from, read_options
from crossgrain.reading.question_form import QuestionForm
from crossgrain.sheet.page import sheet_html
from crossgrain.sheet.pdf import OF_PDF, plan_pdf
from crossgrain.sheet.person import PatientHeading, person_in
from crossgrain.sheet.sources import sources_in
from crossgrain.writing.answer import answer_bundle
from crossgrain.writing.brief import brief_bundle
from crossgrain.writing.forms import PlanPage, with_page


@frozen
class Settled:
    """What was made of a call.

    `filed_beside`: the call, where the answer goes to a server beside its record; `is_brief`: it is
    the plan by its dates alone; `page_for`: it carries the plan sheet, made out for this person,
    `as_pdf` or as a page; `form`: what it leaves open; `answered`: the call with the answers that
    came beside its record, which is what the places named in the proposal lie in.
    """

    proposal: Proposal
    answered: Call
    filed_beside: Call | None
    is_brief: bool
    page_for: PatientHeading | None = None
    as_pdf: bool = False
    form: QuestionForm | None = None


def propose_switch(
    desk: Desk, body: dict[str, Any], beside: Sequence[Given], version: FhirVersion
) -> dict[str, Any]:
    """The whole operation: the resource sent in, the answer out."""
    return answer_to(desk, settle(desk, body, beside, version), version)


def settle(
    desk: Desk, body: dict[str, Any], beside: Sequence[Given], version: FhirVersion
) -> Settled:
    """Read the call as it was sent, and settle it."""
    call = call_from(body, beside)
    return settle_call(desk, call, read_options(call, desk.switch_options), version)


def settle_call(desk: Desk, call: Call, options: Options, version: FhirVersion) -> Settled:
    """Read the record, propose.

    Raises
    ------
    RequestRefused
        where the options or the record are unusable, or do not go together.
    """
    is_brief, as_pdf = brief_asked(options), _pdf_asked(options)
    days = days_asked(desk, options, "a plan")  # once: it may be the clock's
    judged = judged_with_answers(
        call,
        lambda one: _proposed(desk, one, options.with_chosen(one.chosen), days, version),
        lambda proposal: proposal.record.questions,
        lambda one: look_at(desk, one, options, days[0], version),
    )
    page_for = person_in(call.record) if options.one("sheet", False) else None
    filed_beside = call if options.one("response") == "transaction" else None
    return Settled(judged.made, judged.call, filed_beside, is_brief, page_for, as_pdf, judged.form)


def _proposed(
    desk: Desk, call: Call, options: Options, days: tuple[date, date], version: FhirVersion
) -> Proposal:
    try:
        request = _request(options, *days, desk.catalogue.policy.combining)
        record = record_in(desk, call, options, request.as_of, version)
        proposal = propose(record, request, desk.catalogue)
        refuse_idle_mixture(options, proposal.target)  # an order may have shown the target
    except DomainError as error:
        raise refused_by_domain(error, options.place) from error
    return proposal


def _pdf_asked(options: Options) -> bool:
    """Whether the sheet is to be a PDF, which can only be had where its extra is installed."""
    form = options.one("sheet-form")
    if form is not None and not options.one("sheet", False):
        raise refusal(
            Fault.OPTIONS_DISAGREE,
            options.place("sheet-form"),
            "sheet-form is of the sheet, which is not asked for: add sheet=true",
        )
    if form == "pdf" and find_spec(OF_PDF) is None:
        raise refusal(
            Fault.NOT_INSTALLED,
            options.place("sheet-form"),
            "a PDF needs the extra pdf: pip install 'crossgrain[pdf]'",
        )
    return bool(form == "pdf")


def answer_to(desk: Desk, settled: Settled, version: FhirVersion) -> dict[str, Any]:
    """The answer as a Bundle of that version."""
    write = brief_bundle if settled.is_brief else answer_bundle
    bundle = write(
        settled.proposal,
        version=version,
        service_version=desk.service_version,
        codes=desk.catalogue.codes,
        form=settled.form,
    )
    if settled.page_for is not None:
        bundle = with_page(bundle, _page(desk, settled, settled.page_for, bundle), version)
    return to_be_filed(bundle, settled.filed_beside) if settled.filed_beside else bundle


def _page(
    desk: Desk, settled: Settled, person: PatientHeading, bundle: dict[str, Any]
) -> Callable[[str], PlanPage]:
    """What makes the document that the answer carries, given the document's own name."""
    if not settled.as_pdf:
        html = sheet_html(
            settled.proposal,
            desk.catalogue,
            service_version=desk.service_version,
            person=person,
            sources=sources_in(settled.answered.record, settled.answered.root),
        )
        return lambda _: PlanPage("text/html", html)
    return lambda name: PlanPage("application/pdf", plan_pdf(bundle, person, name))


def _request(options: Options, as_of: date, start: date, combining: Combining) -> SwitchRequest:
    target = options.one("target")
    mixture = mixture_asked(options, combining)
    defaults = SwitchRequest(as_of=as_of, start=start, mixture=mixture)
    return SwitchRequest(
        as_of=as_of,
        start=start,
        target=target and Target(target),
        basis_id=options.one("basis", defaults.basis_id),
        pace=options.one("pace", defaults.pace),
        prior_therapy=PriorTherapy(options.one("prior-therapy", defaults.prior_therapy)),
        mixture=mixture,
        desiccated_family=options.one("desiccated-family"),
        weekly_pattern=options.one("weekly-pattern", defaults.weekly_pattern),
        lt3_doses=(asked := options.one("lt3-doses")) and int(asked),
        another_product=options.one("another-product", defaults.another_product),
        orders=options.all("order"),
        stock=options.all("stock"),
        requester=options.one("requester", ""),
        recorded=recorded_asked(options, as_of),
    )
