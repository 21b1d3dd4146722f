"""Every answer that the conformance checks look at: each shape, in both versions."""

from tests.unit.write.answers import written
from tests.unit.write.plans import EVERY

from crossgrain.fhir.version import FhirVersion

ANSWERS = {
    f"{name}, {version.value}": (make, version)
    for name, make in EVERY.items()
    for version in FhirVersion
}


def answer(name):
    make, version = ANSWERS[name]
    return written(make(), version)
