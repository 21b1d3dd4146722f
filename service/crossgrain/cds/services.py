"""The CDS services: what each is for, the data that it asks for, and what a client sent for that.

`order-select` and `order-sign` share one id, so that a client that keeps cards replaces what
was said when the order was selected by what is said when it is signed.

The prefetch templates keep to the subset of FHIR searches that CDS Hooks recommends: a read, or
a search by reference and by code. Sorting and `_include` are not asked for. Each search asks for a
page that holds a usual chart, and leaves out only what nothing is read from: what was entered in
error. Orders are searched by patient, intent and status together, which US Core has servers support
(by patient alone it has not). By date nothing is left out: a stopped order and an old result are
what a past switch is told by.

What came for a template is told apart:

===================  ================================================================
given                a resource, or a Bundle that is whole
no data              ``null``: the client looked and has nothing
not offered          the server has no such type, and its orders are the whole list
declined             the key is absent: the client chose not to send it, or could not
failed               an OperationOutcome stands in its place
unusable             something else: an HTML error page, a resource of another kind
partial              a page of several, fewer entries than `total`, or a warning inside
===================  ================================================================

Only the first three are complete. Nothing partial is ever taken for a whole.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from enum import StrEnum
from typing import Any, NamedTuple

from crossgrain.cds.answers import Discovery, OfferedService
from crossgrain.cds.filing import LABORATORY
from crossgrain.names.identity import HOW_IT_GOES, FhirVersion
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.codesystems import Loinc, Snomed
from crossgrain.reading.currency import INTENTS
from crossgrain.reading.door import is_grave, signs_of_more
from crossgrain.reading.filed import ABORT, TASK_CODE
from crossgrain.reading.labs import PREGNANCY_STATUS
from crossgrain.reading.resolve import as_modified
from crossgrain.reading.shapes import SHAPES

ORDER_SELECT, ORDER_SIGN, PATIENT_VIEW = "order-select", "order-sign", "patient-view"
_OF_PATIENT = "patient={{context.patientId}}"
_A_PAGE = "_count=200"
"""Resources of a page: more than a usual chart has of a kind, and no more than servers give."""
_CAUTION = "It proposes; the prescriber decides."
_NEEDS = (
    "FHIR R4. Patient, MedicationRequest and MedicationStatement must come whole, by prefetch or"
    " from the client's FHIR server where the deployer allows that; without the rest the answer"
    " says what was not checked. A server without MedicationStatement says null or not-supported."
)


@frozen
class Template:
    """One prefetch template.

    Attributes
    ----------
    key : its name in the call
    kind : the resource type that it gives
    query : the read or the search
    required : no dose may be judged without it
    missed : where it is missing it is asked for, and the card says so
    may_lack : a server that has no such type has the whole of it in its orders
    of_chart : asked for where a chart is opened, and not at every order
    """

    key: str
    kind: str
    query: str
    required: bool = False
    missed: bool = True
    may_lack: bool = False
    of_chart: bool = False

    @property
    def is_read(self) -> bool:
        """A read gives one resource, a search a Bundle."""
        return "?" not in self.query

    def filled(self, patient_id: str) -> str:
        """The query for one patient."""
        return self.query.replace("{{context.patientId}}", patient_id)


@frozen
class Service:
    """One entry of the discovery answer."""

    id: str
    hook: str
    title: str
    description: str


ORDER_ID, REVIEW_ID = "thyroid-order", "thyroid-switch-review"
SERVICES = (
    Service(
        ORDER_ID,
        ORDER_SELECT,
        "Thyroid hormone order, as it is selected",
        "Judges the selected order for levothyroxine, liothyronine or desiccated thyroid against"
        f" what is taken, and proposes a series where it does not fit. {_CAUTION}",
    ),
    Service(
        ORDER_ID,
        ORDER_SIGN,
        "Thyroid hormone order, before it is signed",
        "Judges every thyroid hormone order that is about to be signed against what is taken,"
        f" and proposes a series where it does not fit. {_CAUTION}",
    ),
    Service(
        REVIEW_ID,
        PATIENT_VIEW,
        "Thyroid hormone: what is due, or a past switch",
        "Says what is due in a plan that runs: labs that are back or overdue, symptoms, a supply"
        " that ends. Else looks whether a past change of preparation left the patient at too low"
        f" or too high a dose. {_CAUTION}",
    ),
)


def templates(codes: CodeTables) -> tuple[Template, ...]:
    """What every service asks for; the laboratory codes are those that are read."""
    shape = SHAPES[FhirVersion.R4]
    loinc = ",".join(f"{Loinc.system}|{code}" for code in (*codes.labs, PREGNANCY_STATUS))
    return (
        Template("patient", "Patient", "Patient/{{context.patientId}}", required=True),
        _search(
            "medicationRequests",
            "MedicationRequest",
            _any_of("intent", INTENTS),
            _any_of("status", shape.request_statuses),
            required=True,
        ),
        replace(
            _search(
                "medicationStatements",
                "MedicationStatement",
                _any_of("status", shape.statement_statuses),
                required=True,
            ),
            may_lack=True,
        ),
        _search("conditions", "Condition"),
        _search("allergies", "AllergyIntolerance"),
        _search("goals", "Goal"),
        _search("observations", "Observation", f"code={loinc}"),
        replace(_search("carePlans", "CarePlan"), missed=False),
        replace(
            _search("bloodTests", "ServiceRequest", f"category={Snomed.system}|{LABORATORY}"),
            missed=False,
            of_chart=True,
        ),
        replace(_search("tasks", "Task", f"code={TASK_CODE}|{ABORT}"), missed=False, of_chart=True),
        replace(
            _search("howItGoes", "QuestionnaireResponse", f"questionnaire={HOW_IT_GOES}"),
            missed=False,
            of_chart=True,
        ),
    )


def _search(key: str, kind: str, *narrowed: str, required: bool = False) -> Template:
    return Template(key, kind, "&".join((f"{kind}?{_OF_PATIENT}", *narrowed, _A_PAGE)), required)


def _any_of(element: str, values: Iterable[str]) -> str:
    return f"{element}={','.join(sorted(set(values) - {'entered-in-error'}))}"


def discovery(asked_for: Iterable[Template]) -> Discovery:
    """The answer of the discovery endpoint."""
    every = tuple(asked_for)
    return Discovery(
        services=[
            OfferedService(
                hook=service.hook,
                title=service.title,
                description=service.description,
                id=service.id,
                prefetch={
                    template.key: template.query
                    for template in every
                    if service.hook == PATIENT_VIEW or not template.of_chart
                },
                usage_requirements=_NEEDS,
                version="STU3",
            )
            for service in SERVICES
        ]
    )


Resource = dict[str, Any]
_BUNDLES = ("searchset", "collection")


class TemplateAnswer(StrEnum):
    """How the answer to one template stands."""

    GIVEN = "given"
    NO_DATA = "no data"
    NOT_OFFERED = "not offered"
    DECLINED = "declined"
    FAILED = "failed"
    UNUSABLE = "unusable"
    PARTIAL = "partial"


_WHOLE = {TemplateAnswer.GIVEN, TemplateAnswer.NO_DATA, TemplateAnswer.NOT_OFFERED}
_WORDS = {
    TemplateAnswer.DECLINED: "was not sent",
    TemplateAnswer.FAILED: "could not be gathered: an OperationOutcome came in its place",
    TemplateAnswer.UNUSABLE: "is not what was asked for",
    TemplateAnswer.PARTIAL: "is only a part",
}


class PlacedResource(NamedTuple):
    """A resource, its place in the call, and its address as far as that was sent."""

    place: str
    resource: Resource
    full_url: str = ""


@frozen
class Gathered:
    """What there is for one template: resources, each with its place in the call."""

    template: Template
    standing: TemplateAnswer
    resources: tuple[PlacedResource, ...] = ()

    @property
    def is_whole(self) -> bool:
        """Nothing of it is missing."""
        return self.standing in _WHOLE

    @property
    def why_not(self) -> str:
        """What is wrong with it, for a person."""
        return f"{self.template.kind} {_WORDS[self.standing]}"


def sort_out(template: Template, prefetch: Mapping[str, Any]) -> Gathered:
    """What a call's prefetch holds for one template."""
    if template.key not in prefetch:
        return Gathered(template, TemplateAnswer.DECLINED)
    return from_value(template, prefetch[template.key], f"prefetch.{template.key}")


def from_value(template: Template, value: object, place: str) -> Gathered:
    """The same for a value that came from anywhere."""
    if value is None:
        return Gathered(template, TemplateAnswer.NO_DATA)
    if not isinstance(value, dict):
        return Gathered(template, TemplateAnswer.UNUSABLE)
    kind = value.get("resourceType")
    if kind == "OperationOutcome":
        lacks = template.may_lack and _is_not_supported(value)
        return Gathered(template, TemplateAnswer.NOT_OFFERED if lacks else TemplateAnswer.FAILED)
    if template.is_read:
        standing = TemplateAnswer.GIVEN if kind == template.kind else TemplateAnswer.UNUSABLE
        return Gathered(
            template, standing, (PlacedResource(place, value),) if kind == template.kind else ()
        )
    if kind != "Bundle" or value.get("type") not in _BUNDLES:
        return Gathered(template, TemplateAnswer.UNUSABLE)
    return _from_bundle(template, value, place)


def _from_bundle(template: Template, bundle: Resource, place: str) -> Gathered:
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        return Gathered(template, TemplateAnswer.UNUSABLE)
    found: list[PlacedResource] = []
    outcomes: list[Resource] = []
    for number, entry in enumerate(entries):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(resource, dict):
            return Gathered(template, TemplateAnswer.UNUSABLE)
        if resource.get("resourceType") == "OperationOutcome":
            outcomes.append(resource)
        else:
            where, said = f"{place}.entry[{number}].resource", as_modified(resource, entry)
            found.append(PlacedResource(where, said, _url_of(entry)))
    whole = is_all(bundle, template, found) and not any(map(is_grave, outcomes))
    return Gathered(
        template, TemplateAnswer.GIVEN if whole else TemplateAnswer.PARTIAL, tuple(found)
    )


def _is_not_supported(outcome: Resource) -> bool:
    """Whether all that an OperationOutcome says is that there is no such search."""
    issues = outcome.get("issue")
    return isinstance(issues, list) and {
        str(issue.get("code")) if isinstance(issue, dict) else "" for issue in issues
    } == {"not-supported"}


def lacks(statement: Resource, kind: str) -> bool:
    """Whether a CapabilityStatement lists what its server offers, and a type is not among it."""
    rests = statement.get("rest")
    parts = [rest for rest in rests if isinstance(rest, dict)] if isinstance(rests, list) else []
    lists = [rest["resource"] for rest in parts if isinstance(rest.get("resource"), list)]
    offered = {str(each.get("type")) for found in lists for each in found if isinstance(each, dict)}
    return "MedicationRequest" in offered and kind not in offered


def _url_of(entry: Mapping[str, Any]) -> str:
    full_url = entry.get("fullUrl")
    return full_url if isinstance(full_url, str) else ""


def is_all(bundle: Mapping[str, Any], template: Template, parts: Iterable[PlacedResource]) -> bool:
    """Whether nothing in a Bundle says that more was found than these parts hold."""
    asked_for = {
        (part.full_url, str(part.resource.get("id") or part.place))
        for part in parts
        if part.resource.get("resourceType") == template.kind
    }
    return not any(signs_of_more(bundle, len(asked_for)))
