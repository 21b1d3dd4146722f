"""A whole plan for the OpenAPI document: by ``$apply`` in both versions, and as a calendar.

One short switch stands for all of them, since a longer plan would outgrow the document.
"""

from crossgrain.http.routes import CALENDAR
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.apply import apply
from crossgrain.operations.desk import Desk
from crossgrain.operations.next_step import settle as settle_next_step
from crossgrain.operations.parameters import from_query
from crossgrain.operations.propose_switch import settle
from crossgrain.sheet.page import Sheet, calendar_of
from openapi.shown import AS_OF, Resource, Shown

SHORTEST = "08-combination-to-levothyroxine.json"
"""The invented patient whose plan is shortest: the old medicines end on day one."""
_TARGET, _PRIOR = "levothyroxine", "stop"


def applied(desk: Desk, version: FhirVersion, record: Resource) -> Shown:
    """The plan definition, applied to a record."""
    call = _call(record)
    answer = apply(desk, call, (), version)
    return Shown(f"{version}-apply", "The plan definition applied to a record", call, answer)


def sheet_dates(desk: Desk, record: Resource) -> Shown:
    """The sheet's call, answered with the calendar alone."""
    asked = [("target", _TARGET), ("prior-therapy", _PRIOR), ("as-of", AS_OF)]
    proposal = settle(desk, record, from_query(asked), FhirVersion.R4).proposal
    dates = calendar_of(proposal, desk.catalogue, service_version=desk.service_version)
    if dates is None:
        raise AssertionError("the shortest plan is no plan any more")
    query = "&".join(f"{name}={value}" for name, value in asked)
    return Shown("sheet", f"The dates of a plan; ?{query}", record, dates.decode(), CALENDAR)


def visit_dates(desk: Desk, record: Resource) -> Shown:
    """The call of the next step's sheet, answered with the calendar alone."""
    asked = [("as-of", AS_OF)]
    step = settle_next_step(desk, record, from_query(asked), FhirVersion.R4).step
    dates = calendar_of(Sheet.of(step), desk.catalogue, service_version=desk.service_version)
    if dates is None:
        raise AssertionError("the visit has no plan any more")
    summary = f"The dates of a next step; ?as-of={AS_OF}"
    return Shown("sheet-next-step", summary, record, dates.decode(), CALENDAR)


def _call(record: Resource) -> Resource:
    (patient,) = [
        entry["resource"]
        for entry in record["entry"]
        if entry["resource"]["resourceType"] == "Patient"
    ]
    options = [
        {"name": "target", "valueCode": _TARGET},
        {"name": "prior-therapy", "valueCode": _PRIOR},
        {"name": "as-of", "valueDate": AS_OF},
    ]
    nested = {"resourceType": "Parameters", "parameter": options}
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subject", "valueString": f"Patient/{patient['id']}"},
            {"name": "data", "resource": record},
            {"name": "parameters", "resource": nested},
        ],
    }
