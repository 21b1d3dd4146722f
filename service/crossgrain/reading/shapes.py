"""What differs between the FHIR versions in the elements that are read: one table each."""

from collections.abc import Mapping
from typing import Any

from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.reading.elements import ReadCategory, Unreadable

_BOTH = frozenset(
    """
    Account ActivityDefinition AdverseEvent AllergyIntolerance Appointment AppointmentResponse
    AuditEvent Basic Binary BiologicallyDerivedProduct BodyStructure Bundle CapabilityStatement
    CarePlan CareTeam ChargeItem ChargeItemDefinition Claim ClaimResponse ClinicalImpression
    CodeSystem Communication CommunicationRequest CompartmentDefinition Composition ConceptMap
    Condition Consent Contract Coverage CoverageEligibilityRequest CoverageEligibilityResponse
    DetectedIssue Device DeviceDefinition DeviceMetric DeviceRequest DiagnosticReport
    DocumentReference Encounter Endpoint EnrollmentRequest EnrollmentResponse EpisodeOfCare
    EventDefinition Evidence EvidenceVariable ExampleScenario ExplanationOfBenefit
    FamilyMemberHistory Flag Goal GraphDefinition Group GuidanceResponse HealthcareService
    ImagingStudy Immunization ImmunizationEvaluation ImmunizationRecommendation
    ImplementationGuide InsurancePlan Invoice Library Linkage List Location Measure
    MeasureReport Medication MedicationAdministration MedicationDispense MedicationKnowledge
    MedicationRequest MedicationStatement MessageDefinition MessageHeader MolecularSequence
    NamingSystem NutritionOrder Observation ObservationDefinition OperationDefinition
    OperationOutcome Organization OrganizationAffiliation Parameters Patient PaymentNotice
    PaymentReconciliation Person PlanDefinition Practitioner PractitionerRole Procedure
    Provenance Questionnaire QuestionnaireResponse RelatedPerson ResearchStudy ResearchSubject
    RiskAssessment Schedule SearchParameter ServiceRequest Slot Specimen SpecimenDefinition
    StructureDefinition StructureMap Subscription Substance SubstanceNucleicAcid
    SubstancePolymer SubstanceProtein SubstanceReferenceInformation SubstanceSourceMaterial
    SupplyDelivery SupplyRequest Task TerminologyCapabilities TestReport TestScript ValueSet
    VerificationResult VisionPrescription
    """.split()  # noqa: SIM905 - a list of words reads better than of quoted ones
)
_R4_ONLY = frozenset(
    """
    CatalogEntry DeviceUseStatement DocumentManifest EffectEvidenceSynthesis Media
    MedicinalProduct MedicinalProductAuthorization MedicinalProductContraindication
    MedicinalProductIndication MedicinalProductIngredient MedicinalProductInteraction
    MedicinalProductManufactured MedicinalProductPackaged MedicinalProductPharmaceutical
    MedicinalProductUndesirableEffect RequestGroup ResearchDefinition ResearchElementDefinition
    RiskEvidenceSynthesis SubstanceSpecification
    """.split()  # noqa: SIM905 - a list of words reads better than of quoted ones
)
_R5_ONLY = frozenset(
    """
    ActorDefinition AdministrableProductDefinition ArtifactAssessment
    BiologicallyDerivedProductDispense Citation ClinicalUseDefinition ConditionDefinition
    DeviceAssociation DeviceDispense DeviceUsage EncounterHistory EvidenceReport FormularyItem
    GenomicStudy ImagingSelection Ingredient InventoryItem InventoryReport
    ManufacturedItemDefinition MedicinalProductDefinition NutritionIntake NutritionProduct
    PackagedProductDefinition Permission RegulatedAuthorization RequestOrchestration
    Requirements SubscriptionStatus SubscriptionTopic SubstanceDefinition TestPlan Transport
    """.split()  # noqa: SIM905 - a list of words reads better than of quoted ones
)


@frozen
class Shape:
    """One version's shape of what is read.

    Attributes
    ----------
    version : which
    foreign : resource type, or a list of parts in it → element of the other version → that version
    types, foreign_types : the resource types of this version, and those of the other
    statement_statuses : the statuses that a MedicationStatement may have
    taking : the statuses of a MedicationStatement that may mean that it is taken
    """

    version: FhirVersion
    types: frozenset[str]
    foreign_types: frozenset[str]
    foreign: Mapping[str, Mapping[str, str]]
    statement_statuses: frozenset[str]
    taking: frozenset[str]
    request_statuses: frozenset[str]


_GONE_SINCE_STU3 = frozenset(
    """
    BodySite DataElement DeviceComponent EligibilityRequest EligibilityResponse ExpansionProfile
    ImagingManifest ProcedureRequest ProcessRequest ProcessResponse ReferralRequest Sequence
    ServiceDefinition
    """.split()  # noqa: SIM905 - a list of words reads better than of quoted ones
)
_OF_MEDICINES_IN_DSTU2 = frozenset({"MedicationOrder", "MedicationPrescription"})
"""The resource that holds an order in DSTU2, and in DSTU1."""
_OLD: Mapping[str, Mapping[str, str]] = {
    "MedicationStatement": {
        "taken": "STU3", "reasonNotTaken": "STU3", "wasNotTaken": "DSTU2",
    },
    "MedicationRequest": {"context": "STU3", "definition": "STU3"},
    "Medication": {
        "isBrand": "STU3", "isOverTheCounter": "STU3", "package": "STU3", "image": "STU3",
    },
    "Observation": {"context": "STU3", "comment": "STU3", "related": "STU3"},
    "Condition": {"context": "STU3", "assertedDate": "STU3", "dateRecorded": "DSTU2"},
    "AllergyIntolerance": {"assertedDate": "STU3"},
    "Goal": {"status": "STU3"},
    "Patient": {"animal": "STU3"},
}  # fmt: skip
"""Resource type → element that R4 no longer has → the last version that had it."""
_CODES_IN_STU3 = {
    "Condition": ("clinicalStatus", "verificationStatus"),
    "AllergyIntolerance": ("clinicalStatus", "verificationStatus"),
}
"""What is a code in STU3 and a concept from R4 on."""
_REQUEST_STATUSES = frozenset(
    "active on-hold cancelled completed entered-in-error stopped draft unknown".split()  # noqa: SIM905
)
SHAPES: Mapping[FhirVersion, Shape] = {
    FhirVersion.R4: Shape(
        version=FhirVersion.R4,
        types=_BOTH | _R4_ONLY,
        foreign_types=_R5_ONLY,
        foreign={
            "MedicationStatement": {
                "medication": "R5", "adherence": "R5", "encounter": "R5",
                "effectiveTiming": "R5",
            },
            "MedicationRequest": {"medication": "R5", "reported": "R5"},
            "CarePlan.activity": {"plannedActivityReference": "R5", "performedActivity": "R5"},
            "DetectedIssue": {"subject": "R5"},
            "Medication": {"doseForm": "R5"},
        },
        statement_statuses=frozenset(
            "active completed entered-in-error intended stopped on-hold unknown not-taken".split()  # noqa: SIM905
        ),
        taking=frozenset({"active"}),
        request_statuses=_REQUEST_STATUSES,
    ),
    FhirVersion.R5: Shape(
        version=FhirVersion.R5,
        types=_BOTH | _R5_ONLY,
        foreign_types=_R4_ONLY,
        foreign={
            "MedicationStatement": {
                "medicationCodeableConcept": "R4", "medicationReference": "R4",
                "context": "R4", "basedOn": "R4",
            },
            "MedicationRequest": {
                "medicationCodeableConcept": "R4", "medicationReference": "R4",
                "reportedBoolean": "R4", "reportedReference": "R4",
            },
            "CarePlan.activity": {"reference": "R4", "detail": "R4"},
            "DetectedIssue": {"patient": "R4"},
            "Medication": {"form": "R4"},
        },
        statement_statuses=frozenset({"recorded", "entered-in-error", "draft"}),
        taking=frozenset({"recorded"}),
        request_statuses=_REQUEST_STATUSES | {"ended"},
    ),
}  # fmt: skip


def check_type(kind: str, shape: Shape, path: str) -> str:
    """Why a resource of this type is not read, or nothing where this version has the type.

    Raises
    ------
    Unreadable
        ``not-supported`` for what an older version keeps its orders in, ``structure`` for what
        is no type at all: it may be a medicine's, misspelt.
    """
    if kind in shape.types:
        return ""
    if kind in _OF_MEDICINES_IN_DSTU2:
        raise Unreadable(
            ReadCategory.NOT_SUPPORTED,
            path,
            f"{kind} is a resource of DSTU2, and this is read as {shape.version.name}",
        )
    other = "R5" if shape.version is FhirVersion.R4 else "R4"
    known = {other: shape.foreign_types, "STU3": _GONE_SINCE_STU3}
    for version, types in known.items():
        if kind in types:
            return f"{kind} is a resource of {version}, and this is read as {shape.version.name}"
    raise Unreadable(ReadCategory.STRUCTURE, path, "there is no such resource type")


def check_version(resource: Mapping[str, Any], kind: str, shape: Shape, path: str) -> None:
    """Refuse a resource that has elements of another version.

    Raises
    ------
    Unreadable
        ``not-supported``, naming the resource type, the element and both versions.
    """
    shown = _shown_by(resource, kind, shape)
    if shown:
        element, version = shown
        raise Unreadable(
            ReadCategory.NOT_SUPPORTED,
            path,
            f"this {kind} has {element}, which is of {version}; it is read as {shape.version.name}",
        )


def _shown_by(resource: Mapping[str, Any], kind: str, shape: Shape) -> tuple[str, str] | None:
    """The first element that is of another version, and that version."""
    for table in (shape.foreign, _OLD):
        for element, version in table.get(kind, {}).items():
            if element in resource:
                return element, version
    activities = resource.get("activity") if kind == "CarePlan" else None
    for activity in activities if isinstance(activities, list) else ():
        for element, version in shape.foreign["CarePlan.activity"].items():
            if isinstance(activity, dict) and element in activity:
                return f"activity.{element}", version
    for element in _CODES_IN_STU3.get(kind, ()):
        if isinstance(resource.get(element), str):
            return f"{element} as a code", "STU3"
    requester = resource.get("requester")
    if kind == "MedicationRequest" and isinstance(requester, dict) and "agent" in requester:
        return "requester.agent", "STU3"
    return None
