"""One record through the service: bytes in, bytes out, as an operation does it."""

from fractions import Fraction

from tests.properties.million.truth import Person

from crossgrain.catalogue import load_catalogue
from crossgrain.core.proposal import Proposal, SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_record
from crossgrain.writing.answer import answer_bundle
from crossgrain.writing.forms import to_json

CATALOGUE = load_catalogue()
COMBINING = CATALOGUE.policy.combining
FAMILY = {"d60": "desiccated-thyroid-60", "d65": "desiccated-thyroid-65"}
DECLARED = {Category.NOTHING_TO_DO, Category.OUT_OF_RANGE}
"""What a sound request may be refused for."""


class Refused(Exception):
    """The service declined, by an error that it declares."""


def asked_of(person: Person) -> SwitchRequest:
    """The options of the call."""
    wish = person.wish
    return SwitchRequest(
        as_of=person.as_of,
        start=person.start,
        target=Target(wish.target),
        basis_id=person.chart,
        pace=person.pace,
        prior_therapy=PriorTherapy(person.prior_therapy),
        mixture=COMBINING.mixture(
            ratio=Fraction(wish.ratio),
            guideline=wish.guideline,
            t3_share=Fraction(round(wish.share * 10), 10),
        ),
        desiccated_family=FAMILY[wish.family],
    )


def plans_made() -> int:
    """How many plans had to be made so far."""
    return sum(kept.found[1] for kept in CATALOGUE.plans.values())


def proposed(person: Person, body: bytes) -> Proposal:
    """What the service makes of a record.

    Raises
    ------
    Refused
        where it declines by an error that it declares.
    """
    try:
        record = read_record(
            parse(body),
            version=FhirVersion(person.version),
            as_of=person.as_of,
            codes=CATALOGUE.codes,
            preparations=CATALOGUE.preparations,
        )
        return propose(record, asked_of(person), CATALOGUE)
    except Unreadable as refused:
        raise Refused("unreadable") from refused
    except DomainError as refused:
        if refused.category not in DECLARED:
            raise
        raise Refused(f"{refused.category} {refused.field}") from refused


def written(person: Person, proposal: Proposal) -> bytes:
    """The answer as it would be sent."""
    tree = answer_bundle(
        proposal,
        version=FhirVersion(person.version),
        service_version="0.1.0",
        codes=CATALOGUE.codes,
    )
    return to_json(tree)
