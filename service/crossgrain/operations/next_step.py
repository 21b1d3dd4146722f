"""``$next-step``: a record at a visit with its running plan in, what to do next out.

The plan is found in the record by what its orders and its care plan say of themselves, or it is
given as `plan`: the earlier answer, or its care plan. Where none runs it is ordinary titration of
what is taken.
"""

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

from crossgrain.core.filed_plan import Submitted
from crossgrain.core.next_step import NextStep
from crossgrain.core.next_step import next_step as settle_next_step
from crossgrain.core.proposal import SwitchRequest
from crossgrain.dosing.targets import Combining
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations.answering import judged_with_answers
from crossgrain.operations.desk import (
    Desk,
    brief_asked,
    days_asked,
    look_at,
    record_in,
    recorded_asked,
)
from crossgrain.operations.faults import (
    refused_by_domain,
    refused_by_reader,
)
from crossgrain.operations.filing import to_be_filed
from crossgrain.operations.parameters import Call, Given, Options, call_from, read_options
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.filed import Filed, filed_among
from crossgrain.reading.given_plan import marks_in, resources_of
from crossgrain.reading.question_form import QuestionForm
from crossgrain.reading.reader import doses_as_told
from crossgrain.reading.resolve import BundleIndex
from crossgrain.sheet.page import Sheet, sheet_html
from crossgrain.sheet.person import PatientHeading, person_in
from crossgrain.sheet.sources import NO_SOURCES, Sources, sources_in
from crossgrain.words.doses import date_words
from crossgrain.writing.answer import answer_bundle
from crossgrain.writing.brief import brief_bundle
from crossgrain.writing.forms import PlanPage, with_earlier, with_page
from crossgrain.writing.next_step import next_step_bundle
from crossgrain.writing.next_step_words import acts_changed

Resource = dict[str, Any]


@frozen
class SettledStep:
    """What was made of a call.

    `filed_beside`: the call, where the answer goes to a server beside its record; `is_brief`: it is
    the next doses by their dates alone; `plan`: the earlier answer that it names, which the record
    does not hold, so that it is filed with it; `page_for`: it carries the sheet of the visit, made
    out for this person; `form`: what it leaves open; `answered`: the call with the answers that
    came beside its record, where it was one.
    """

    step: NextStep
    filed_beside: Call | None = None
    is_brief: bool = False
    plan: Resource | None = None
    page_for: PatientHeading | None = None
    form: QuestionForm | None = None
    answered: Call | None = None

    @property
    def sources(self) -> Sources:
        """What the record calls the places that the step names."""
        return sources_in(self.answered.record, self.answered.root) if self.answered else NO_SOURCES


def next_step(
    desk: Desk, body: Resource, beside: Sequence[Given], version: FhirVersion
) -> Resource:
    """The whole operation: the resource sent in, the answer out."""
    return answer_to(desk, settle(desk, body, beside, version), version)


def settle(
    desk: Desk, body: Resource, beside: Sequence[Given], version: FhirVersion
) -> SettledStep:
    """Read the call as it was sent, and settle it."""
    call = call_from(body, beside, takes_plan=True)
    return settle_call(desk, call, read_options(call, desk.next_step_options), version)


def settle_call(desk: Desk, call: Call, options: Options, version: FhirVersion) -> SettledStep:
    """Read the record and the plan, and settle what is done next.

    Raises
    ------
    RequestRefused
        where the options, the record or the plan are unusable, or do not go together.
    """
    is_brief = brief_asked(options)
    days = days_asked(desk, options, "a step")  # once: it may be the clock's
    judged = judged_with_answers(
        call,
        lambda one: _stepped(desk, one, options, days, version),
        lambda step: step.proposal.record.questions,
        lambda one: look_at(desk, one, options, days[0], version),
    )
    plan = call.plan if judged.made.cites_given else None
    filed_beside = call if options.one("response") == "transaction" else None
    page_for = person_in(call.record) if options.one("sheet", False) else None
    return SettledStep(
        judged.made, filed_beside, is_brief, plan, page_for, judged.form, judged.call
    )


def _stepped(
    desk: Desk, call: Call, options: Options, days: tuple[date, date], version: FhirVersion
) -> NextStep:
    try:
        request = _request(options, *days, desk.catalogue.policy.combining)
        sent = _submitted(desk, call, options, request.as_of, version)
        return settle_next_step(sent, request, desk.catalogue)
    except DomainError as error:
        raise refused_by_domain(error, options.place) from error
    except Unreadable as error:
        raise refused_by_reader(error) from error


def answer_to(desk: Desk, settled: SettledStep, version: FhirVersion) -> Resource:
    """The answer as a Bundle of that version."""
    bundle = next_step_bundle(
        settled.step,
        write=brief_bundle if settled.is_brief else answer_bundle,
        version=version,
        service_version=desk.service_version,
        codes=desk.catalogue.codes,
        form=settled.form,
    )
    if settled.page_for is not None:
        html = sheet_html(
            Sheet.of(settled.step),
            desk.catalogue,
            service_version=desk.service_version,
            person=settled.page_for,
            sources=settled.sources,
        )
        bundle = with_page(bundle, lambda _: PlanPage("text/html", html), version)
    if settled.filed_beside is None:
        return bundle
    whole = bundle if settled.plan is None else with_earlier(bundle, settled.plan)
    return to_be_filed(whole, settled.filed_beside, tuple(acts_changed(settled.step, date_words)))


def _request(options: Options, as_of: date, start: date, combining: Combining) -> SwitchRequest:
    defaults = SwitchRequest(as_of=as_of, start=start, mixture=combining.mixture())
    return SwitchRequest(
        as_of=as_of,
        start=start,
        mixture=defaults.mixture,
        basis_id=options.one("basis", defaults.basis_id),
        pace=options.one("pace", defaults.pace),
        weekly_pattern=options.one("weekly-pattern", defaults.weekly_pattern),
        lt3_doses=(asked := options.one("lt3-doses")) and int(asked),
        stock=options.all("stock"),
        requester=options.one("requester", ""),
        recorded=recorded_asked(options, as_of),
    )


def _submitted(
    desk: Desk, call: Call, options: Options, as_of: date, version: FhirVersion
) -> Submitted:
    """The record as it is today, its doses by date, and the plan that came beside it."""
    record = record_in(desk, call, options, as_of, version)
    look = look_at(desk, call, options, as_of, version)
    given = () if call.plan is None else marks_in(call.plan, call.plan_root, call.record, **look)
    filed = tuple(_filed(call, desk.catalogue.policy.combining))
    history = doses_as_told(call.record, **look)
    return Submitted(record, history, given, filed)


def _filed(call: Call, combining: Combining) -> Iterator[Filed]:
    """What stands filed of our plans: in the record, and beside it in the plan given."""
    known: set[str] = set()
    for found in filed_among(BundleIndex(call.record, call.root).entries, combining):
        known.add(found.name)
        yield found
    if call.plan is not None:
        for found in filed_among(resources_of(call.plan, call.plan_root), combining, given=True):
            if not found.name or found.name not in known:
                yield found
