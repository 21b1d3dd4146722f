"""The CDS services: what each is for, on which hook, and the data that it asks for.

`order-select` and `order-sign` share one id, so that a client that keeps cards replaces what
was said when the order was selected by what is said when it is signed.

The prefetch templates keep to the subset of FHIR searches that CDS Hooks recommends: a read, or
a search by reference and by codes. Paging, sorting and `_include` are not asked for.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from crossgrain.cds.answers import Discovery, OfferedService
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.codesystems import Loinc
from crossgrain.reading.labs import PREGNANCY_STATUS

ORDER_SELECT, ORDER_SIGN, PATIENT_VIEW = "order-select", "order-sign", "patient-view"
_OF_PATIENT = "patient={{context.patientId}}"
_CAUTION = "It proposes; the prescriber decides."
_NEEDS = (
    "FHIR R4. Patient, MedicationRequest and MedicationStatement must come whole, by prefetch or"
    " from the client's FHIR server where the deployer allows that; without the rest the answer"
    " says what was not checked. A server without MedicationStatement says null or not-supported."
)


@dataclass(frozen=True, slots=True)
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
    """

    key: str
    kind: str
    query: str
    required: bool = False
    missed: bool = True
    may_lack: bool = False

    @property
    def is_read(self) -> bool:
        """A read gives one resource, a search a Bundle."""
        return "?" not in self.query

    def filled(self, patient_id: str) -> str:
        """The query for one patient."""
        return self.query.replace("{{context.patientId}}", patient_id)


@dataclass(frozen=True, slots=True)
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
        "Past switch of thyroid hormone",
        "Looks whether a past change of preparation left the patient at too low or too high a"
        f" dose. {_CAUTION}",
    ),
)


def templates(codes: CodeTables) -> tuple[Template, ...]:
    """What every service asks for; the laboratory codes are those that are read."""
    loinc = ",".join(f"{Loinc.system}|{code}" for code in (*codes.labs, PREGNANCY_STATUS))
    return (
        Template("patient", "Patient", "Patient/{{context.patientId}}", required=True),
        _search("medicationRequests", "MedicationRequest", required=True),
        replace(
            _search("medicationStatements", "MedicationStatement", required=True), may_lack=True
        ),
        _search("conditions", "Condition"),
        _search("allergies", "AllergyIntolerance"),
        _search("goals", "Goal"),
        Template("observations", "Observation", f"Observation?{_OF_PATIENT}&code={loinc}"),
        Template("carePlans", "CarePlan", f"CarePlan?{_OF_PATIENT}", missed=False),
    )


def _search(key: str, kind: str, *, required: bool = False) -> Template:
    return Template(key, kind, f"{kind}?{_OF_PATIENT}", required)


def discovery(asked_for: Iterable[Template]) -> Discovery:
    """The answer of the discovery endpoint."""
    prefetch = {template.key: template.query for template in asked_for}
    return Discovery(
        services=[
            OfferedService(
                hook=service.hook,
                title=service.title,
                description=service.description,
                id=service.id,
                prefetch=prefetch,
                usage_requirements=_NEEDS,
            )
            for service in SERVICES
        ]
    )
