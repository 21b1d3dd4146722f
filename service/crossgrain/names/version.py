"""The FHIR versions that are spoken."""

from enum import StrEnum


class FhirVersion(StrEnum):
    """The value is the path segment under ``/fhir``."""

    R4 = "r4"
    R5 = "r5"

    @property
    def number(self) -> str:
        """The published version number."""
        return {"r4": "4.0.1", "r5": "5.0.0"}[self]
