"""FHIR versions, and the names that this service gives: identifier systems, canonicals, ids."""

from enum import StrEnum
from hashlib import sha1
from uuid import UUID


class FhirVersion(StrEnum):
    """The value is the path segment under ``/fhir``."""

    R4 = "r4"
    R5 = "r5"

    @property
    def number(self) -> str:
        """The published version number."""
        return {"r4": "4.0.1", "r5": "5.0.0"}[self]


CANONICAL_BASE = "http://crossgrain.example/fhir"
"""One for all deployments, so that the same answer is the same bytes everywhere. The name is
reserved (RFC 2606) and never looked up: it tells definitions apart, not servers."""


def canonical(resource_type: str, own_id: str) -> str:
    """The canonical of one of our own definitions.

    >>> canonical("ValueSet", "target")
    'http://crossgrain.example/fhir/ValueSet/target'
    """
    return f"{CANONICAL_BASE}/{resource_type}/{own_id}"


PLAN_SYSTEM = f"{CANONICAL_BASE}/sid/plan"
"""System of the group identifier by which this service knows its own proposals again."""
RESOURCE_SYSTEM = f"{CANONICAL_BASE}/sid/resource"
"""System of the business identifier by which one filed resource is found again."""
FINDING_SYSTEM = canonical("CodeSystem", "finding")
"""Code system of the safety findings."""
HOW_IT_GOES_ID = "how-it-goes"
HOW_IT_GOES = canonical("Questionnaire", HOW_IT_GOES_ID)
"""The questions that a patient is asked at every visit."""
MODULE_CANONICAL = canonical("PlanDefinition", "regimen-switch")
"""Canonical of the plan definition that every answer is an application of."""
SERVICE_NAME = "Crossgrain"

NAMESPACE = UUID("6c1c1b5e-6e0f-5a86-9f43-4f5a3c0a7d21")
"""Namespace of the version-5 UUIDs; never change it, or filed proposals lose their names."""


_NAMED = sha1(NAMESPACE.bytes, usedforsecurity=False)  # RFC 9562 section 5.5 builds on it
_VARIANT = {digit: "89ab"[int(digit, 16) & 3] for digit in "0123456789abcdef"}
"""The digit whose two upper bits say that this is a UUID of the RFC."""


def stable_id(name: str) -> str:
    """The lower-case version-5 UUID of a name: the same name gives the same id.

    Written out rather than asked of `uuid.uuid5`, since an answer needs dozens.

    >>> from uuid import uuid5
    >>> stable_id("Patient/demo") == str(uuid5(NAMESPACE, "Patient/demo"))
    True
    """
    named = _NAMED.copy()
    named.update(name.encode())
    digits = named.hexdigest()
    variant = _VARIANT[digits[16]]
    return f"{digits[:8]}-{digits[8:12]}-5{digits[13:16]}-{variant}{digits[17:20]}-{digits[20:32]}"


def urn(resource_id: str) -> str:
    """The URN under which the resources of one answer refer to each other.

    >>> urn("6c1c1b5e-6e0f-5a86-9f43-4f5a3c0a7d21")
    'urn:uuid:6c1c1b5e-6e0f-5a86-9f43-4f5a3c0a7d21'
    """
    return f"urn:uuid:{resource_id}"
