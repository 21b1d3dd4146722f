"""What a profile is: the type that it constrains, and what it asks of each element.

https://hl7.org/fhir/R4/profiling.html
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import field
from typing import Any

from crossgrain.app.conformance.definitions import Resource
from crossgrain.names.identity import canonical
from crossgrain.names.values import frozen

CORE = "http://hl7.org/fhir/StructureDefinition"


@frozen
class ElementRule:
    """What a profile asks of one element.

    Attributes
    ----------
    element : its path below the resource, in FHIR's own form
    short : what it holds
    least, most : how often it stands; as in the core definition where left out
    more : further parts of its ElementDefinition
    """

    element: str
    short: str
    least: int | None = None
    most: str | None = None
    more: Mapping[str, Any] = field(default_factory=dict)


@frozen
class Profile:
    """One profile: the type that it is of, and what it asks.

    `constraint` is what no single element can say, in FHIRPath and in words.
    """

    id: str
    type: str
    title: str
    description: str
    rules: tuple[ElementRule, ...]
    constraint: tuple[str, str] | None = None

    @property
    def url(self) -> str:
        """Its canonical."""
        return canonical("StructureDefinition", self.id)


def laid_on_core(profile: Profile) -> Iterator[Resource]:
    """The differential: the resource as a whole, then what is asked of each element."""
    root: Resource = {"id": profile.type, "path": profile.type, "short": profile.title}
    root["definition"] = profile.description
    if profile.constraint:
        expression, words = profile.constraint
        root["constraint"] = [
            {
                "key": f"{profile.id}-1",
                "severity": "error",
                "human": words,
                "expression": expression,
                "source": profile.url,
            }
        ]
    yield root
    for rule in profile.rules:
        yield _element(f"{profile.type}.{rule.element}", rule)


def _element(own_id: str, rule: ElementRule) -> Resource:
    body: Resource = {"id": own_id, "path": re.sub(r":[^.]+", "", own_id)}
    if ":" in own_id.rpartition(".")[2]:
        body["sliceName"] = own_id.rpartition(":")[2]
    if rule.short:
        body["short"] = rule.short
    if rule.least is not None:
        body["min"] = rule.least
    if rule.most is not None:
        body["max"] = rule.most
    return body | dict(rule.more)
