"""FHIR R4 resources as an EHR writes them: identified, versioned, coded, tied to an encounter."""

from datetime import date, timedelta
from typing import Any

Json = dict[str, Any]
Limits = tuple[float, float]
SERIAL = "SERIAL00"
"""Stands in every id and reference of a body; the load tool puts a number of its own there."""

RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
_HL7 = "http://terminology.hl7.org/CodeSystem"
_HOME = "https://mill-lane.example/fhir"
SUBJECT = {"reference": f"Patient/p-{SERIAL}"}

_CONFIRMED = {"coding": [{"system": f"{_HL7}/condition-ver-status", "code": "confirmed"}]}


def concept(system: str, code: str, words: str) -> Json:
    """A concept of one code and its words."""
    return {"coding": [{"system": system, "code": code, "display": words}], "text": words}


def quantity(value: float, unit: str, code: str) -> Json:
    """A quantity in UCUM."""
    return {"value": value, "unit": unit, "system": UCUM, "code": code}


class Chart:
    """One patient's resources, gathered in order, as of one day; numbered from `first` on."""

    def __init__(self, as_of: date, first: int = 0) -> None:
        self.as_of = as_of
        self.entries: list[Json] = []
        self._first = first

    def day(self, ago: int) -> str:
        """The date so many days before the day of reading."""
        return (self.as_of - timedelta(days=ago)).isoformat()

    def time(self, ago: int) -> str:
        """A morning of that day."""
        return f"{self.day(ago)}T08:{ago % 60:02}:00Z"

    def add(self, kind: str, body: Json, ago: int, own: str | None = None) -> None:
        """Keep one resource as a server gives it out."""
        own = own or f"{kind[:3].lower()}-{SERIAL}-{self._first + len(self.entries)}"
        meta = {"versionId": str(1 + ago % 3), "lastUpdated": self.time(ago)}
        resource = {"resourceType": kind, "id": own, "meta": meta, **body}
        self.entries.append({"fullUrl": f"{_HOME}/{kind}/{own}", "resource": resource})

    def person(self, number: int, sex: str, born: date) -> None:
        """The Patient, and who looks after them."""
        name = {"use": "official", "family": f"Invented{number}", "given": ["Patient"]}
        identifier = {"system": "https://mill-lane.example/numbers", "value": SERIAL}
        self.add(
            "Patient",
            {"identifier": [identifier], "active": True, "name": [name], "gender": sex,
             "birthDate": born.isoformat(), "address": [{"city": "Sallowford", "country": "XX"}]},
            ago=400,
            own=f"p-{SERIAL}",
        )  # fmt: skip
        self.add("Practitioner", {"name": [{"family": "Thrapple"}]}, ago=900, own="doctor-1")

    def orders(
        self, medicine: Json, doses: list[tuple[Json, Json]], since: int, ended: int | None = None
    ) -> None:
        """An order for a medicine: so much, so often, until it ended."""
        bounds = {} if ended is None else {"start": self.day(since), "end": self.day(ended)}
        dosages = [
            {"timing": {"repeat": repeat | ({"boundsPeriod": bounds} if bounds else {})},
             "route": concept(SNOMED, "26643006", "Oral route"),
             "doseAndRate": [{"doseQuantity": dose}]}
            for dose, repeat in doses
        ]  # fmt: skip
        self.add(
            "MedicationRequest",
            {"status": "active" if ended is None else "completed", "intent": "order",
             "medicationCodeableConcept": medicine, "subject": SUBJECT, **self._seen(since),
             "authoredOn": self.day(since), "requester": {"reference": "Practitioner/doctor-1"},
             "dosageInstruction": dosages},
            ago=since,
        )  # fmt: skip

    def measured(
        self,
        code: str,
        words: str,
        value: Json,
        ago: int,
        limits: tuple[float, float] | None = None,
    ) -> None:
        """One result, with the laboratory's limits where it is one."""
        body: Json = {
            **self._observed("laboratory" if limits else "vital-signs", ago),
            "code": concept(LOINC, code, words),
            "valueQuantity": value,
        }
        if limits:
            low, high = ({**value, "value": limit} for limit in limits)
            body["referenceRange"] = [{"low": low, "high": high}]
        self.add("Observation", body, ago)

    def pressure(self, systolic: int, ago: int) -> None:
        """A blood pressure: one Observation of two components."""
        parts = (("8480-6", "Systolic", systolic), ("8462-4", "Diastolic", systolic * 5 // 8))
        components = [
            {"code": concept(LOINC, code, f"{words} blood pressure"),
             "valueQuantity": quantity(value, "mmHg", "mm[Hg]")}
            for code, words, value in parts
        ]  # fmt: skip
        panel = concept(LOINC, "85354-9", "Blood pressure panel")
        body = {**self._observed("vital-signs", ago), "code": panel, "component": components}
        self.add("Observation", body, ago)

    def not_pregnant(self, ago: int) -> None:
        """The pregnancy status of someone who is not."""
        answer = concept(SNOMED, "60001007", "Not pregnant")
        status = concept(LOINC, "82810-3", "Pregnancy status")
        body = {**self._observed("survey", ago), "code": status, "valueCodeableConcept": answer}
        self.add("Observation", body, ago)

    def has(self, code: str, words: str, since: int, *, over: bool = False) -> None:
        """A condition on the list."""
        state = "resolved" if over else "active"
        self.add(
            "Condition",
            {"clinicalStatus": concept(f"{_HL7}/condition-clinical", state, state.title()),
             "verificationStatus": _CONFIRMED,
             "category": [concept(f"{_HL7}/condition-category", "problem-list-item", "Problem")],
             "code": concept(SNOMED, code, words), "subject": SUBJECT,
             "onsetDateTime": self.day(since), "recordedDate": self.day(since)},
            ago=since,
        )  # fmt: skip

    def no_allergies(self) -> None:
        """The allergy list of someone who has none."""
        none = concept(SNOMED, "716186003", "No known allergy")
        self.add("AllergyIntolerance", {"code": none, "patient": SUBJECT}, ago=200)

    def visit(self, ago: int) -> None:
        """An Encounter."""
        kind = {"system": f"{_HL7}/v3-ActCode", "code": "AMB", "display": "ambulatory"}
        self.add(
            "Encounter",
            {"status": "finished", "class": kind, "subject": SUBJECT,
             "type": [{"text": "Consultation"}], "reasonCode": [{"text": "Follow-up"}],
             "participant": [{"individual": {"reference": "Practitioner/doctor-1"}}],
             "period": {"start": self.time(ago), "end": f"{self.day(ago)}T09:00:00Z"}},
            ago,
        )  # fmt: skip

    def other(self, kind: str, ago: int) -> None:
        """What an EHR sends besides, and nothing here is read from."""
        bodies: dict[str, Json] = {
            "Immunization": {"status": "completed", "vaccineCode": {"text": "Influenza vaccine"},
                             "patient": SUBJECT, "occurrenceDateTime": self.day(ago),
                             "primarySource": True, "lotNumber": f"L{ago}"},
            "Procedure": {"status": "completed", "code": {"text": "Ultrasound of the neck"},
                          "subject": SUBJECT, "performedDateTime": self.time(ago),
                          **self._seen(ago), "note": [{"text": "Nothing out of the ordinary."}]},
            "DiagnosticReport": {"status": "final", "code": {"text": "Chemistry panel"},
                                 "subject": SUBJECT, "effectiveDateTime": self.time(ago),
                                 **self._seen(ago), "conclusion": "Within the usual limits."},
        }  # fmt: skip
        self.add(kind, bodies[kind], ago)

    def _observed(self, category: str, ago: int) -> Json:
        return {
            "status": "final",
            "category": [concept(f"{_HL7}/observation-category", category, category)],
            "subject": SUBJECT,
            **self._seen(ago),
            "effectiveDateTime": self.time(ago),
            "issued": f"{self.day(ago)}T17:00:00Z",
        }

    @staticmethod
    def _seen(ago: int) -> Json:
        return {"encounter": {"reference": f"Encounter/enc-{SERIAL}-v{ago}"}}
