"""What differs between the FHIR versions in the elements that are read: one table each."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from crossgrain.fhir.read.errors import Category, Unreadable
from crossgrain.fhir.version import FhirVersion

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


@dataclass(frozen=True, slots=True)
class Shape:
    """One version's shape of what is read.

    Attributes
    ----------
    version : which
    foreign : resource type → element of another version → that version
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


_STU3 = {"taken": "STU3"}
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
                "medication": "R5", "adherence": "R5", "encounter": "R5", **_STU3,
            },
            "MedicationRequest": {"medication": "R5", "reported": "R5"},
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
                "context": "R4", "basedOn": "R4", **_STU3,
            },
            "MedicationRequest": {
                "medicationCodeableConcept": "R4", "medicationReference": "R4",
                "reportedBoolean": "R4", "reportedReference": "R4",
            },
        },
        statement_statuses=frozenset({"recorded", "entered-in-error", "draft"}),
        taking=frozenset({"recorded"}),
        request_statuses=_REQUEST_STATUSES | {"ended"},
    ),
}  # fmt: skip


def check_type(kind: str, shape: Shape, path: str) -> None:
    """Refuse a resource type that this version does not have.

    Raises
    ------
    Unreadable
        ``not-supported`` for a type of the other version, ``structure`` for no type at all.
    """
    if kind in shape.types:
        return
    if kind in shape.foreign_types:
        other = "R5" if shape.version is FhirVersion.R4 else "R4"
        raise Unreadable(
            Category.NOT_SUPPORTED,
            path,
            f"{kind} is a resource of {other}, and this is read as {shape.version.name}",
        )
    raise Unreadable(Category.STRUCTURE, path, "there is no such resource type")


def check_version(resource: Mapping[str, Any], kind: str, shape: Shape, path: str) -> None:
    """Refuse a resource that has elements of another version.

    Raises
    ------
    Unreadable
        ``not-supported``, naming the resource type, the element and both versions.
    """
    foreign = shape.foreign.get(kind, {})
    if foreign.keys().isdisjoint(resource):
        return
    for element, version in foreign.items():
        if element in resource:
            raise Unreadable(
                Category.NOT_SUPPORTED,
                path,
                f"this {kind} has {element}, which is of {version}; it is read as"
                f" {shape.version.name}",
            )
