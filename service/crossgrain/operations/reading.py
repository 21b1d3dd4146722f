"""What the operations read alike: the day, the composition of a combination, the record."""

from datetime import date
from zoneinfo import ZoneInfo

from crossgrain.dosing.targets import Mixture, Target
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.clock import today
from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import Complaint, Fault, RequestRefused, refusal
from crossgrain.operations.parameters import Call, Options
from crossgrain.operations.structure import check_structure
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.reader import read_record
from crossgrain.reading.record import Record

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


def mixture_asked(options: Options) -> Mixture:
    """How a combination target is composed; an option that could not apply is refused."""
    target = options.one("target")
    for name, applies_to in _APPLIES_TO.items():
        if name in options.values and target and target != applies_to:
            raise refusal(
                Fault.OPTIONS_DISAGREE,
                options.place(name),
                f"{name} composes {applies_to}; the target is {target}",
            )
    if options.one("guideline") and "ratio" in options.values:
        raise refusal(
            Fault.OPTIONS_DISAGREE,
            options.place("ratio"),
            "the guideline's rule fixes the ratio: give guideline or ratio, not both",
        )
    defaults = Mixture()
    return Mixture(
        ratio=options.one("ratio", defaults.ratio),
        guideline=options.one("guideline", defaults.guideline),
        t3_share=options.one("t3-share", defaults.t3_share),
    )


def record_in(
    desk: Desk, call: Call, as_of: date, version: FhirVersion, *, validate: bool
) -> Record:
    """The record, read as of that day; its whole structure checked first where asked for.

    Raises
    ------
    RequestRefused
        where the Bundle cannot be read as a record at all.
    """
    if validate:
        check_structure(call, version)
    try:
        return read_record(
            call.record,
            version=version,
            as_of=as_of,
            codes=desk.catalogue.codes,
            preparations=desk.catalogue.preparations,
            root=call.root,
        )
    except Unreadable as error:
        raise RequestRefused(Complaint(error.category, error.expression, error.message)) from error
