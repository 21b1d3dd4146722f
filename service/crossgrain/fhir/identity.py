"""Names that this service gives: identifier systems, canonicals, and stable resource ids."""

from uuid import UUID, uuid5

PLAN_SYSTEM = "urn:crossgrain:plan"
"""System of the group identifier by which this service knows its own proposals again."""
RESOURCE_SYSTEM = "urn:crossgrain:resource"
"""System of the business identifier by which one filed resource is found again."""
FINDING_SYSTEM = "urn:crossgrain:CodeSystem:finding"
"""Code system of the safety findings."""
MODULE_CANONICAL = "urn:crossgrain:PlanDefinition:regimen-switch"
"""Canonical of the plan definition that every answer is an application of."""
SERVICE_NAME = "Crossgrain"

NAMESPACE = UUID("6c1c1b5e-6e0f-5a86-9f43-4f5a3c0a7d21")
"""Namespace of the version-5 UUIDs; never change it, or filed proposals lose their names."""


def stable_id(name: str) -> str:
    """The lower-case version-5 UUID of a name: the same name gives the same id.

    >>> stable_id("Patient/demo") == stable_id("Patient/demo")
    True
    """
    return str(uuid5(NAMESPACE, name))


def urn(resource_id: str) -> str:
    """The URN under which the resources of one answer refer to each other.

    >>> urn("6c1c1b5e-6e0f-5a86-9f43-4f5a3c0a7d21")
    'urn:uuid:6c1c1b5e-6e0f-5a86-9f43-4f5a3c0a7d21'
    """
    return f"urn:uuid:{resource_id}"
