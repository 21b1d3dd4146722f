"""What every operation works with, wired once at start, and what all of them read alike.

The reader checks the structure of what it reads. That of the rest costs milliseconds, so it is an
option, and its library loads when it is first asked for.
"""

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from crossgrain import __version__
from crossgrain.catalogue import Catalogue
from crossgrain.dosing.targets import Combining, Mixture, Target
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations.faults import (
    Complaint,
    Fault,
    RequestRefused,
    refusal,
    refused_by_reader,
)
from crossgrain.operations.options import (
    Option,
    comparison_options,
    next_step_options,
    switch_options,
)
from crossgrain.operations.parameters import Call, Options
from crossgrain.reading.door import Look
from crossgrain.reading.elements import ReadCategory, Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_record
from crossgrain.reading.record import Record

Clock = Callable[[], datetime]
"""Gives the present moment, with its zone. It may be set, forwards or back."""

Ticks = Callable[[], float]
"""Gives seconds that only ever grow: for how long ago something was, never for when."""


def now() -> datetime:
    """The present moment, UTC."""
    return datetime.now(UTC)


ticks: Ticks = time.monotonic
"""The seconds since some moment of the machine's own."""


def today(clock: Clock, zone: ZoneInfo) -> date:
    """The calendar day that it is in `zone`."""
    return clock().astimezone(zone).date()


@frozen
class Desk:
    """The catalogue, the clock, the options known and the version that signs answers."""

    catalogue: Catalogue
    clock: Clock
    switch_options: tuple[Option, ...]
    comparison_options: tuple[Option, ...]
    next_step_options: tuple[Option, ...]
    service_version: str


def desk_over(catalogue: Catalogue, clock: Clock) -> Desk:
    """A desk whose options are those that the catalogue makes possible."""
    of_a_switch = switch_options(catalogue)
    return Desk(
        catalogue=catalogue,
        clock=clock,
        switch_options=of_a_switch,
        next_step_options=next_step_options(of_a_switch),
        comparison_options=comparison_options(catalogue),
        service_version=__version__,
    )


MOST_COMPLAINTS = 20


def check_structure(call: Call, version: FhirVersion) -> None:
    """Refuse a record that is not valid FHIR of that version, saying where.

    Raises
    ------
    RequestRefused
        with one complaint per fault, the first twenty.
    """
    try:
        _model(version).model_validate(call.record)
    except ValidationError as wrong:
        raise RequestRefused(
            *(
                Complaint(ReadCategory.STRUCTURE, _path(call.root, error["loc"]), error["msg"])
                for error in wrong.errors(include_input=False)[:MOST_COMPLAINTS]
            )
        ) from None
    except (KeyError, TypeError, AttributeError):
        # What the library raises on a resourceType that its version of FHIR does not have.
        raise RequestRefused(
            Complaint(
                ReadCategory.STRUCTURE,
                call.root,
                f"a resource in it is of no type that FHIR {version.number} defines",
            )
        ) from None


def _model(version: FhirVersion) -> Any:
    if version is FhirVersion.R4:
        from fhir.resources.R4B.bundle import Bundle as R4Bundle  # noqa: PLC0415

        return R4Bundle
    from fhir.resources.bundle import Bundle as R5Bundle  # noqa: PLC0415

    return R5Bundle


def _path(root: str, location: tuple[int | str, ...]) -> str:
    steps = (f"[{step}]" if isinstance(step, int) else f".{step}" for step in location)
    return root + "".join(step for step in steps if step != ".root")


def parse_resource(body: bytes) -> dict[str, Any]:
    """The JSON object in `body`; a refusal says where it goes wrong."""
    try:
        return parse(body)
    except Unreadable as error:
        raise refused_by_reader(error) from error


_APPLIES_TO = {
    "ratio": Target.LT4_LT3,
    "guideline": Target.LT4_LT3,
    "t3-share": Target.DESICCATED_LT3,
}


def day_asked(desk: Desk, options: Options) -> date:
    """``as-of``, or the day that it is in the caller's time zone."""
    as_of: date = options.one("as-of") or today(
        desk.clock, options.one("time-zone", ZoneInfo("UTC"))
    )
    return as_of


def days_asked(desk: Desk, options: Options, what: str) -> tuple[date, date]:
    """``as-of`` and ``start``, which is no earlier; `what` begins on it."""
    as_of = day_asked(desk, options)
    start: date = options.one("start", as_of)
    if start < as_of:
        raise refusal(
            Fault.OPTIONS_DISAGREE,
            options.place("start"),
            f"start lies before as-of: {what} cannot begin before the day that the record is read",
        )
    return as_of, start


def recorded_asked(options: Options, as_of: date) -> str:
    """When the answer is recorded, as the caller says: once the record has been read, or empty.

    A day of grace is left for the zone in which the record was read.
    """
    recorded: str = options.one("recorded", "")
    if recorded and datetime.fromisoformat(recorded).date() < as_of - timedelta(1):
        raise refusal(
            Fault.OPTIONS_DISAGREE,
            options.place("recorded"),
            "recorded lies before as-of: an answer cannot be recorded before the record is read",
        )
    return recorded


def brief_asked(options: Options) -> bool:
    """Whether the answer is to be brief, which what needs orders cannot be asked together with."""
    if options.one("detail") != "brief":
        return False
    for name, asked in (
        ("response", options.one("response") == "transaction"),
        ("sheet", options.one("sheet", False)),
    ):
        if asked:
            words = "a brief answer holds no order: leave detail out to file it or to get its sheet"
            raise refusal(Fault.OPTIONS_DISAGREE, options.place(name), words)
    return True


def look_at(desk: Desk, call: Call, options: Options, as_of: date, version: FhirVersion) -> Look:
    """How the record of a call is read on a day, where the caller is."""
    return {
        "version": version,
        "as_of": as_of,
        "codes": desk.catalogue.codes,
        "preparations": desk.catalogue.preparations,
        "root": call.root,
        "settled": call.settled,
        "zone": options.one("time-zone"),
    }


def refuse_idle_mixture(options: Options, target: str | None) -> None:
    """Refuse an option that composes another target than the one asked for, or found."""
    for name, applies_to in _APPLIES_TO.items():
        if name in options.values and target and target != applies_to:
            raise refusal(
                Fault.OPTIONS_DISAGREE,
                options.place(name),
                f"{name} composes {applies_to}; the target is {target}",
            )


def mixture_asked(options: Options, combining: Combining) -> Mixture:
    """How a combination target is composed; an option that could not apply is refused."""
    refuse_idle_mixture(options, options.one("target"))
    if options.one("guideline") and "ratio" in options.values:
        raise refusal(
            Fault.OPTIONS_DISAGREE,
            options.place("ratio"),
            "the guideline's rule fixes the ratio: give guideline or ratio, not both",
        )
    return combining.mixture(
        ratio=options.one("ratio"),
        guideline=options.one("guideline", False),
        t3_share=options.one("t3-share"),
    )


def record_in(
    desk: Desk, call: Call, options: Options, as_of: date, version: FhirVersion
) -> Record:
    """The record, read as of that day; its whole structure checked first where asked for.

    Raises
    ------
    RequestRefused
        where the Bundle cannot be read as a record at all.
    """
    if options.one("validate", False) and not call.testimony.sources:  # as it was sent
        check_structure(call, version)
    try:
        record = read_record(call.record, **look_at(desk, call, options, as_of, version))
    except Unreadable as error:
        raise refused_by_reader(error) from error
    return replace(record, testimony=call.testimony)
