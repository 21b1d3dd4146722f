"""Every answer that the conformance checks look at, in both versions: each hand-made shape and
each patient of the fixtures."""

from tests.conformance.patients import CATALOGUE, as_asked
from tests.unit.writing.answers import written
from tests.unit.writing.plans import CODES, EVERY

from crossgrain.names.identity import FhirVersion

PROPOSALS = {
    **{name: (make, CODES) for name, make in EVERY.items()},
    **{name: (make, CATALOGUE.codes) for name, make in as_asked().items()},
}
ANSWERS = {
    f"{name}, {version.value}": (name, version) for name in PROPOSALS for version in FhirVersion
}


def proposal_of(name):
    return PROPOSALS[ANSWERS[name][0]][0]()


def answer(name):
    proposed, version = ANSWERS[name]
    make, codes = PROPOSALS[proposed]
    return written(make(), version, codes)
