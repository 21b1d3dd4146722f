"""From the call of a hook to its cards."""

from typing import Any
from zoneinfo import ZoneInfo

from crossgrain.api.cds.advice import Advice, advise, orders_in
from crossgrain.api.cds.cards import Card, Desk, order_card, question_card
from crossgrain.api.cds.gathering import Gatherer
from crossgrain.api.cds.hook import HookCall, read_call
from crossgrain.api.cds.prefetch import Gathered
from crossgrain.api.cds.record import (
    assemble,
    check_patient,
    check_required,
    read,
    stub_of,
)
from crossgrain.api.cds.services import ORDER_SELECT, PATIENT_VIEW
from crossgrain.api.clock import today
from crossgrain.api.operations.desk import Desk as Tables
from crossgrain.api.settings import Settings
from crossgrain.fhir.version import FhirVersion
from crossgrain.fhir.write.answer import answer_bundle
from crossgrain.safety.findings import Severity
from crossgrain.safety.judgement import Verdict


class Hooks:
    """Answers the hooks over one catalogue."""

    def __init__(self, tables: Tables, settings: Settings, gatherer: Gatherer) -> None:
        self._tables = tables
        self._basis = settings.cds_basis
        self._zone = ZoneInfo(settings.time_zone)
        self._gatherer = gatherer
        tables.catalogue.basis(self._basis)  # an unknown basis is an error at start

    async def cards(self, body: dict[str, Any], service_id: str) -> list[Card]:
        """The cards of one call, most often none.

        Raises
        ------
        RequestRefused
            where the call is unusable, or lacks what every judgement needs (412).
        """
        call = read_call(body, service_id)
        brought = self._gatherer.brought(call)
        if call.hook == PATIENT_VIEW:
            return []
        if not await self._is_about_hormone(call, brought):
            return []
        gathered = await self._gatherer.completed(call, brought)
        check_required(gathered)
        check_patient(gathered, call.patient_id)
        gathered = await self._gatherer.with_medications(call, gathered)
        return self._on_orders(call, gathered)

    async def _is_about_hormone(self, call: HookCall, brought: list[Gathered]) -> bool:
        """Whether an order in hand is for thyroid hormone, before any data are asked for.

        While an order is being selected its details may not be there yet; then it is passed
        over, and looked at when it is signed.
        """
        if not call.selected:
            return False
        medications = [
            Gathered(g.template, g.standing, tuple(
                (place, r) for place, r in g.resources if r["resourceType"] == "Medication"
            ))
            for g in brought
        ]  # fmt: skip
        medications = await self._gatherer.with_medications(call, medications)
        looked_at = assemble([stub_of(call.patient_id), *medications], call.selected)
        record = read(looked_at, self._tables.catalogue, self._today())
        if record.questions:
            return call.hook != ORDER_SELECT
        return bool(orders_in(record))

    def _today(self) -> Any:
        return today(self._tables.clock, self._zone)

    def _on_orders(self, call: HookCall, gathered: list[Gathered]) -> list[Card]:
        assembled = assemble(gathered, call.drafts)
        record = read(assembled, self._tables.catalogue, self._today())
        advice = advise(record, self._tables.catalogue, self._today(), self._basis)
        desk = Desk(
            instance=call.instance,
            assembled=assembled,
            drafts=call.drafts,
            selected=frozenset(draft.reference for draft in call.selected),
            not_whole=tuple(g.why_not for g in gathered if not g.is_whole),
            answer=self._answer(advice),
        )
        if _speaks(call, advice):
            return [order_card(desk, advice)]
        if advice.questions and call.hook != ORDER_SELECT:
            return [question_card(desk, advice)]
        return []

    def _answer(self, advice: Advice) -> dict[str, Any] | None:
        """The proposal as a Bundle, where there is a plan and the order does not fit."""
        proposal, judgement = advice.proposal, advice.judgement
        if proposal is None or proposal.plan is None or judgement is None:
            return None
        if judgement.verdict is Verdict.FITS:
            return None
        return answer_bundle(
            proposal,
            version=FhirVersion.R4,
            service_version=self._tables.service_version,
            codes=self._tables.catalogue.codes,
        )


def _speaks(call: HookCall, advice: Advice) -> bool:
    """Whether there is something to say: of an order that fits, while selected, only a stop."""
    if not advice.concerns or advice.judgement is None:
        return False
    if call.hook == ORDER_SELECT and advice.judgement.verdict is Verdict.FITS:
        return any(finding.severity is Severity.STOP for finding in advice.concerns)
    return True
