"""The addresses of CDS Hooks, and the way from a hook call to its cards."""

import gzip
from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from crossgrain.cds.advice import EXCHANGED, Advice, advise
from crossgrain.cds.answers import Card, CardsAnswer
from crossgrain.cds.card_detail import CardDesk
from crossgrain.cds.cards import order_card, question_card, review, review_cards
from crossgrain.cds.gathering import Gatherer
from crossgrain.cds.hook import DraftOrder, HookCall, read_call
from crossgrain.cds.messages import read_feedback
from crossgrain.cds.next_step import step_in, visit_cards
from crossgrain.cds.record import (
    assemble,
    check_patient,
    check_required,
    form_of,
    orders_for_hormone,
    read,
    stub_of,
)
from crossgrain.cds.services import (
    ORDER_SELECT,
    PATIENT_VIEW,
    SERVICES,
    Gathered,
    Template,
    discovery,
)
from crossgrain.http.probes import Metrics
from crossgrain.http.requests import PLAIN_JSON, check_content, read_body, takes_gzip
from crossgrain.http.routes import Endpoint, add_untold
from crossgrain.http.settings import Settings
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import Desk, parse_resource, today
from crossgrain.operations.faults import Fault, did_you_mean, refusal
from crossgrain.reading.calendar import Calendar
from crossgrain.safety.judgement import Verdict
from crossgrain.safety.rule import Severity
from crossgrain.writing.answer import answer_bundle
from crossgrain.writing.forms import to_json

_NAMES_THE_MEDICINE = {
    "resourceType", "id", "status", "intent", "subject", "contained",
    "medicationCodeableConcept", "medicationReference", "reasonCode", "reasonReference",
}  # fmt: skip


class Hooks:
    """Answers the hooks over one catalogue."""

    def __init__(self, tables: Desk, settings: Settings, gatherer: Gatherer) -> None:
        self._tables = tables
        self._basis = settings.cds_basis
        self._zone = ZoneInfo(settings.time_zone)
        self._gatherer = gatherer
        try:
            tables.catalogue.basis(self._basis)
        except DomainError as unknown:  # an error at start, not at the first call
            raise DomainError(unknown.category, "CROSSGRAIN_CDS_BASIS", unknown.message) from None

    async def cards(self, body: dict[str, Any], service_id: str) -> list[Card]:
        """The cards of one call, most often none.

        Raises
        ------
        RequestRefused
            where the call is unusable, or lacks what every judgement needs (412).
        """
        call = read_call(body, service_id)
        # Once: a call lies in one day.
        calendar = Calendar(today(self._tables.clock, self._zone), self._zone)
        brought = self._gatherer.brought(call)
        if call.hook != PATIENT_VIEW:
            call = await self._of_hormone(call, brought, calendar)
            if not call.selected or not self._is_finished(call, calendar):
                return []
        gathered = await self._gatherer.completed(call, brought)
        check_required(gathered)
        check_patient(gathered, call.patient_id)
        gathered = await self._gatherer.with_medications(call, gathered)
        if call.hook == PATIENT_VIEW:
            return self._on_view(call, gathered, calendar)
        return self._on_orders(call, gathered, calendar)

    def _on_view(self, call: HookCall, gathered: list[Gathered], calendar: Calendar) -> list[Card]:
        """A decision that is due in a plan goes before a past switch: it holds the act."""
        assembled, missing = assemble(gathered, (), call.server), _not_whole(gathered)
        step = step_in(assembled, self._tables, calendar, call.prescriber)
        due = visit_cards(call.instance, assembled, step, self._tables, missing) if step else []
        if due:
            return due
        screened = review(assembled, self._tables.catalogue, calendar)
        return review_cards(call.instance, screened, missing)

    async def _of_hormone(
        self, call: HookCall, brought: list[Gathered], calendar: Calendar
    ) -> HookCall:
        """The call with the thyroid hormone orders alone, before any data are asked for.

        What an order is for is told by its medication and its reason, whatever else it says: an
        order for another medicine is passed over even where it could not be read.
        """
        named = [
            Gathered(g.template, g.standing, tuple(
                part._replace(resource=bare)
                for part in g.resources if (bare := _name_alone(part.resource, call.patient_id))
            ))
            for g in brought
        ]  # fmt: skip
        around = [stub_of(call.patient_id), *named]
        if call.selected:
            around = await self._gatherer.with_medications(call, around)
        looked_at = assemble(around, [_bare(draft) for draft in call.drafts], call.server)
        kept = orders_for_hormone(looked_at, self._tables.catalogue, calendar)
        return replace(
            call,
            drafts=tuple(draft for draft in call.drafts if draft.reference in kept),
            selected=tuple(draft for draft in call.selected if draft.reference in kept),
        )

    def _is_finished(self, call: HookCall, calendar: Calendar) -> bool:
        """While an order is being selected its details may not be there yet: wait for them."""
        if call.hook != ORDER_SELECT:
            return True
        looked_at = assemble([stub_of(call.patient_id)], call.selected, call.server)
        return not read(looked_at, self._tables.catalogue, calendar).questions

    def _on_orders(
        self, call: HookCall, gathered: list[Gathered], calendar: Calendar
    ) -> list[Card]:
        assembled = assemble(gathered, call.drafts, call.server)
        record = read(assembled, self._tables.catalogue, calendar)
        advice = advise(
            record,
            self._tables.catalogue,
            calendar.as_of,
            self._basis,
            assembled.in_session,
            call.prescriber,
        )
        desk = CardDesk(
            instance=call.instance,
            assembled=assembled,
            drafts=call.drafts,
            selected=frozenset(draft.reference for draft in call.selected),
            not_whole=_not_whole(gathered),
            answer=self._answer(advice),
            form=form_of(assembled, advice.questions, self._tables.catalogue, calendar),
        )
        if _speaks(call, advice):
            return [order_card(desk, advice)]
        if advice.questions and call.hook != ORDER_SELECT:
            return [question_card(desk, advice)]
        return []

    def _answer(self, advice: Advice) -> dict[str, Any] | None:
        """The proposal as a Bundle, where there is a plan and the order does not fit."""
        if not advice.proposal or not advice.offers_series:
            return None
        return answer_bundle(
            advice.proposal,
            version=FhirVersion.R4,
            service_version=self._tables.service_version,
            codes=self._tables.catalogue.codes,
        )


def _bare(draft: DraftOrder) -> DraftOrder:
    """An order with no more than what tells which medicine it is for."""
    bare = {key: value for key, value in draft.resource.items() if key in _NAMES_THE_MEDICINE}
    bare["dosageInstruction"] = list(_words_alone(draft.resource.get("dosageInstruction")))
    return replace(draft, resource=bare)


def _words_alone(dosages: Any) -> Iterator[dict[str, str]]:
    """What the dosages say in words: it may be what the medicine is for."""
    for dosage in dosages if isinstance(dosages, list) else ():
        said = dosage.items() if isinstance(dosage, dict) else ()
        words = {k: v for k, v in said if k in {"text", "patientInstruction"}}
        yield {key: word for key, word in words.items() if isinstance(word, str)}


def _name_alone(resource: dict[str, Any], patient_id: str) -> dict[str, Any] | None:
    """What tells what an order is for: a Medication, and of a Condition no more than its name."""
    kind = resource.get("resourceType")
    if kind == "Condition":
        name: dict[str, Any] = {k: resource[k] for k in ("id", "code") if k in resource}
        subject = {"reference": f"Patient/{patient_id}"}
        return {"resourceType": kind, **name, "subject": subject}
    return resource if kind == "Medication" else None


def _not_whole(gathered: list[Gathered]) -> tuple[str, ...]:
    return tuple(each.why_not for each in gathered if each.template.missed and not each.is_whole)


def _speaks(call: HookCall, advice: Advice) -> bool:
    """Whether there is something to say.

    Of an order that fits, while selected, only a stop, or that it is for another product.
    """
    if not advice.concerns or advice.judgement is None:
        return False
    if call.hook == ORDER_SELECT and advice.judgement.verdict is Verdict.FITS:
        return any(f.severity is Severity.STOP or f.code == EXCHANGED for f in advice.concerns)
    return True


_WORTH_PACKING = 1000
"""Bytes; less fits into one packet as it is."""
_LEVEL = 6


def add_cds(
    app: FastAPI,
    hooks: Hooks,
    asked_for: tuple[Template, ...],
    settings: Settings,
    metrics: Metrics,
) -> None:
    """Add the routes."""
    found = to_json(discovery(asked_for))

    async def discover(request: Request) -> Response:
        _no_query(request)
        return Response(found, media_type=PLAIN_JSON)

    async def call(request: Request) -> Response:
        body = await _body(request, settings)
        cards = await hooks.cards(body, _service(request))
        for indicator in [str(card.indicator) for card in cards] or ["none"]:
            metrics.cards.labels(body["hook"], indicator).inc()
        return _answer(request, to_json(CardsAnswer(cards=cards)))

    async def feedback(request: Request) -> Response:
        service = _service(request)
        for outcome, reason in read_feedback(await _body(request, settings)):
            metrics.feedback.labels(service, outcome, reason).inc()
        return Response(status_code=200)

    _add(app, "/cds-services", "GET", discover)
    _add(app, "/cds-services/{id}", "POST", call)
    _add(app, "/cds-services/{id}/feedback", "POST", feedback)


def _answer(request: Request, body: bytes) -> Response:
    """The cards, compressed where the client takes that; the same call gives the same bytes."""
    headers = {"vary": "Accept-Encoding"}
    if len(body) >= _WORTH_PACKING and takes_gzip(request.headers):
        body = gzip.compress(body, _LEVEL, mtime=0)
        headers["content-encoding"] = "gzip"
    return Response(body, media_type=PLAIN_JSON, headers=headers)


def _add(app: FastAPI, path: str, method: str, endpoint: Endpoint) -> None:
    name = path.strip("/").replace("/{id}", "").replace("/", "-")
    app.add_api_route(
        path,
        endpoint,
        methods=[method],
        response_class=Response,
        operation_id=f"{method.lower()}-{name}",
        tags=["CDS Hooks"],
    )
    if method == "GET":
        add_untold(app, path, endpoint, "HEAD")


def _no_query(request: Request) -> None:
    for name in request.query_params:
        raise refusal(Fault.OPTION_UNKNOWN, f"http.{name}", "no option is known here")


def _service(request: Request) -> str:
    _no_query(request)
    own_id = str(request.path_params["id"])
    known = sorted({service.id for service in SERVICES})
    if own_id not in known:
        words = "there is no such CDS service; GET /cds-services lists them"
        raise refusal(Fault.NOT_FOUND, None, f"{words}{did_you_mean(own_id, known)}")
    return own_id


async def _body(request: Request, settings: Settings) -> dict[str, Any]:
    check_content(request.headers, FhirVersion.R4)
    return parse_resource(await read_body(request, settings))
