"""``/sheet`` and ``/sheet/next-step``: what a call makes of a record, as a page or as its dates."""

from collections.abc import Sequence
from typing import Any

from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations import next_step, propose_switch
from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import Fault, refusal
from crossgrain.operations.options import page_options
from crossgrain.operations.parameters import Call, Given, Options, call_from, read_options
from crossgrain.sheet.locale import DEFAULT
from crossgrain.sheet.page import Sheet, SheetPart, calendar_of, sheet_html
from crossgrain.sheet.person import PatientHeading, person_in
from crossgrain.sheet.sources import Sources, sources_in


@frozen
class SettledSheet:
    """What a sheet is of and read from, which part is asked for, in which locale, whose it is."""

    sheet: Sheet
    page: SheetPart
    tag: str
    person: PatientHeading
    sources: Sources

    def html(self, desk: Desk) -> bytes:
        """The page."""
        return sheet_html(
            self.sheet,
            desk.catalogue,
            service_version=desk.service_version,
            person=self.person,
            tag=self.tag,
            sources=self.sources,
            page=self.page,
        )

    def dates(self, desk: Desk) -> bytes | None:
        """The plan's dates as a calendar file; ``None`` where there is no plan."""
        return calendar_of(
            self.sheet, desk.catalogue, service_version=desk.service_version, tag=self.tag
        )


def sheet_of_switch(
    desk: Desk, body: dict[str, Any], beside: Sequence[Given], version: FhirVersion
) -> SettledSheet:
    """The sheet of what ``$propose-switch`` makes of a call.

    Raises
    ------
    RequestRefused
        where the operation refuses the call, or it asks for what no page can be.
    """
    call = call_from(body, beside)
    options = read_options(call, page_options(desk.switch_options))
    _refuse_what_shapes_a_bundle(options)
    settled = propose_switch.settle_call(desk, call, options, version)
    return _settled(Sheet(settled.proposal), settled.answered, options)


def sheet_of_visit(
    desk: Desk, body: dict[str, Any], beside: Sequence[Given], version: FhirVersion
) -> SettledSheet:
    """The sheet of what ``$next-step`` makes of a call; see `sheet_of_switch`."""
    call = call_from(body, beside, takes_plan=True)
    options = read_options(call, page_options(desk.next_step_options))
    _refuse_what_shapes_a_bundle(options)
    settled = next_step.settle_call(desk, call, options, version)
    return _settled(Sheet.of(settled.step), settled.answered or call, options)


def _settled(sheet: Sheet, call: Call, options: Options) -> SettledSheet:
    return SettledSheet(
        sheet=sheet,
        page=SheetPart(options.one("page", SheetPart.BOTH)),
        tag=options.one("locale", DEFAULT),
        person=person_in(call.record),
        sources=sources_in(call.record, call.root),
    )


def _refuse_what_shapes_a_bundle(options: Options) -> None:
    """A page is always the whole plan and is never filed: passed over, these would mislead."""
    for name, value in (("detail", "brief"), ("response", "transaction")):
        if options.one(name) == value:
            raise refusal(
                Fault.OPTIONS_DISAGREE,
                options.place(name),
                f"{name}={value} is for an answer in FHIR; a sheet has none: leave it out",
            )
    if options.one("sheet-form") is not None:
        raise refusal(
            Fault.OPTIONS_DISAGREE,
            options.place("sheet-form"),
            "sheet-form is for the sheet inside an answer in FHIR; here it is a page: leave it out",
        )
