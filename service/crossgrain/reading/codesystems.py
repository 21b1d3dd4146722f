"""Code systems, each a type of its own: a code of one can't be passed as a code of another."""

import re
from typing import ClassVar

from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen


@frozen
class Code:
    """A code whose form is right for its system; whether it exists is another matter.

    Raises
    ------
    DomainError
        ``invalid`` when the value does not have the system's form.
    """

    value: str

    system: ClassVar[str] = ""
    form: ClassVar[re.Pattern[str]] = re.compile(r"(?!)")

    def __post_init__(self) -> None:
        if not self.form.fullmatch(self.value):
            name = type(self).__name__
            raise DomainError(Category.INVALID, name, f"this is not the form of a {name} code")


class RxNorm(Code):
    """An RxNorm concept (RXCUI)."""

    system = "http://www.nlm.nih.gov/research/umls/rxnorm"
    form = re.compile(r"[1-9][0-9]{0,7}", re.ASCII)


class Snomed(Code):
    """A SNOMED CT concept: 6 to 18 digits, the last a Verhoeff check digit.

    Examples
    --------
    >>> Snomed("40930008").value
    '40930008'
    >>> Snomed("40930009")
    Traceback (most recent call last):
        ...
    crossgrain.names.errors.DomainError: the check digit of this SNOMED CT code is wrong
    """

    system = "http://snomed.info/sct"
    form = re.compile(r"[1-9][0-9]{5,17}", re.ASCII)

    def __post_init__(self) -> None:
        Code.__post_init__(self)
        if not _verhoeff_holds(self.value):
            raise DomainError(
                Category.INVALID, "Snomed", "the check digit of this SNOMED CT code is wrong"
            )


class Atc(Code):
    """A WHO ATC code of level 1 to 5, e.g. ``H03AA01``."""

    system = "http://www.whocc.no/atc"
    form = re.compile(r"[A-Z](?:[0-9]{2}(?:[A-Z](?:[A-Z](?:[0-9]{2})?)?)?)?", re.ASCII)


class Loinc(Code):
    """A LOINC term with its mod-10 check digit, e.g. ``3016-3``."""

    system = "http://loinc.org"
    form = re.compile(r"[1-9][0-9]{0,6}-[0-9]", re.ASCII)

    def __post_init__(self) -> None:
        Code.__post_init__(self)
        number, check = self.value.split("-")
        if _mod10(number) != int(check):
            raise DomainError(
                Category.INVALID, "Loinc", "the check digit of this LOINC code is wrong"
            )


class Ndc(Code):
    """A US National Drug Code: ten or eleven digits, with or without hyphens."""

    system = "http://hl7.org/fhir/sid/ndc"
    form = re.compile(r"[0-9]{4,5}-[0-9]{3,4}-[0-9]{1,2}|[0-9]{10,11}", re.ASCII)


class Icd10(Code):
    """An ICD-10 or ICD-10-CM code, e.g. ``E03.9``."""

    system = "http://hl7.org/fhir/sid/icd-10-cm"
    form = re.compile(r"[A-Z][0-9][0-9A-Z](?:\.?[0-9A-Z]{1,4})?", re.ASCII)


UCUM = "http://unitsofmeasure.org"
"""Units of measure: their codes follow a grammar, so no pattern here checks them."""
SYSTEMS: tuple[type[Code], ...] = (RxNorm, Snomed, Atc, Loinc, Ndc, Icd10)
FORMS = {form.system: form for form in SYSTEMS}
"""Each by its system."""

_SAME_SYSTEM = {
    "urn:oid:2.16.840.1.113883.6.88": RxNorm.system,
    "urn:oid:2.16.840.1.113883.6.96": Snomed.system,
    "urn:oid:2.16.840.1.113883.6.69": Ndc.system,
    "urn:oid:2.16.840.1.113883.6.73": Atc.system,
    "https://www.whocc.no/atc": Atc.system,
    "http://fhir.de/CodeSystem/bfarm/atc": Atc.system,
    "http://fhir.de/CodeSystem/dimdi/atc": Atc.system,
}
"""Other names of a code system: the OIDs of the HL7 registry, and national copies of ATC."""


def system_meant(system: str) -> str:
    """The system under the name that it has here.

    >>> system_meant("urn:oid:2.16.840.1.113883.6.73"), system_meant("https://ehr.example/x")
    ('http://www.whocc.no/atc', 'https://ehr.example/x')
    """
    return _SAME_SYSTEM.get(system.rstrip("/"), system.rstrip("/"))


_VERHOEFF_TURN = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)
"""What one place further left does to a digit."""


def _dihedral(a: int, b: int) -> int:
    """Product of two elements of the dihedral group of order ten."""
    turn = (a + b) % 5 if a < 5 else (a - b) % 5
    return turn + (5 if (a < 5) != (b < 5) else 0)


def _verhoeff_holds(digits: str) -> bool:
    """Whether the last digit is the Verhoeff check digit of those before it."""
    check = 0
    for place, digit in enumerate(reversed(digits)):
        turned = int(digit)
        for _ in range(place % 8):
            turned = _VERHOEFF_TURN[turned]
        check = _dihedral(check, turned)
    return check == 0


def _mod10(number: str) -> int:
    """Check digit of a LOINC number: every second digit from the right is doubled."""
    total = 0
    for place, digit in enumerate(reversed(number)):
        doubled = int(digit) * 2 if place % 2 == 0 else int(digit)
        total += doubled - 9 if doubled > 9 else doubled
    return -total % 10
