"""Proposals for the invented patients of the fixtures, read and planned as the service does."""

import tomllib
from datetime import date
from fractions import Fraction
from functools import lru_cache
from itertools import product
from pathlib import Path

from crossgrain.catalogue import load_catalogue
from crossgrain.core.proposal import SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_record

FIXTURES = Path(__file__).parents[2] / "fixtures"
SCENARIO = tomllib.loads((FIXTURES / "scenario.toml").read_text("utf-8"))
AS_OF = date.fromisoformat(SCENARIO["as_of"])
CATALOGUE = load_catalogue()
FILES = tuple(patient["file"] for patient in SCENARIO["patient"])
DIRECTIONS = tuple(product(FILES, Target, PriorTherapy))


@lru_cache
def proposed(file, target, prior_therapy=PriorTherapy.OVERLAP, **asked):
    record = read_record(
        parse((FIXTURES / "patients" / file).read_bytes()),
        version=FhirVersion.R4,
        as_of=AS_OF,
        codes=CATALOGUE.codes,
        preparations=CATALOGUE.preparations,
    )
    request = SwitchRequest(
        as_of=AS_OF,
        start=AS_OF,
        target=target and Target(target),
        prior_therapy=prior_therapy,
        **{"mixture": CATALOGUE.policy.combining.mixture(), **asked},
    )
    return propose(record, request, CATALOGUE)


@lru_cache
def every_direction():
    """Each patient to each target under each prior therapy, as far as it can be served."""
    served = []
    for direction in DIRECTIONS:
        try:
            served.append(proposed(*direction))
        except DomainError:  # nothing to do, or no tablets; the planner's own tests look at why
            continue
    return tuple(served)


WHOLE = tuple(("levothyroxine", Fraction(ug)) for ug in (25, 50, 75))
"""Tablets of which some weeks are shared by two."""


def as_asked():
    """Each patient with the target that the scenario asks for, and what only an option asks for."""
    to_lt3 = FILES[3]
    return {
        "one grain family to the other": lambda: proposed(
            FILES[1], "desiccated-thyroid", desiccated_family="desiccated-thyroid-65"
        ),
        "another product": lambda: proposed(FILES[1], "desiccated-thyroid", another_product=True),
        "three doses of liothyronine": lambda: proposed(to_lt3, "liothyronine", lt3_doses=3),
        "shared weeks": lambda: proposed(to_lt3, "liothyronine", weekly_pattern=True, stock=WHOLE),
        **{
            patient["file"]: (lambda p=patient: proposed(p["file"], p.get("target")))
            for patient in SCENARIO["patient"]
        },
    }
