"""Every expression that the reader gives evaluates on the input it was given.

The judge is fhirpathpy, an independent FHIRPath engine, with the model of FHIR R4 (for choices
such as ``dose`` of ``doseQuantity``).
"""

from typing import Any

import pytest
from fhirpathpy import evaluate
from fhirpathpy.models import models
from tests.api.calls import PATIENTS
from tests.unit.reading import test_history, test_labs, test_products, test_refusals, test_shapes
from tests.unit.reading.records import (
    LT4,
    Json,
    bundle,
    dosage,
    observation,
    read_bundle,
    statement,
    ucum,
)

from crossgrain.reading.elements import Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.record import Record


def found(content: Json, expression: str) -> list[Any]:
    """What the judge finds; it passes over an element that holds an extension alone."""
    for path in (expression, f"{expression}.extension"):
        if nodes := evaluate(content, path, None, models["r4"]):
            return list(nodes)
    return []


def expressions(record: Record) -> list[str]:
    facts = record.facts
    known = (facts.conditions, facts.allergies, facts.medicines, facts.indications, facts.stopped)
    entries = (*record.current, *record.drafts, *record.past)
    return [
        *(q.expression for q in (*record.questions, *record.confirm)),
        *(u.expression for u in record.unread),
        *(entry.path for entry in entries),
        *(line.origin for entry in entries for line in entry.lines),
        *(m.origin for m in facts.measurements or ()),
        *(k.origin for group in known for k in group or ()),
        *record.paths,
    ]


PRODUCTS = [
    bundle(test_products.by_reference("Medication/m1"), product)
    for product, _ in test_products.ASKED.values()
]
RECORDS = {
    **{name: bundle(resource) for name, (resource, _) in test_shapes.READ.items()},
    **{name: bundle(resource) for name, (resource, _) in test_shapes.ASKED.items()},
    **{
        name: bundle(observation(code, quantity))
        for name, (code, quantity, *_) in test_labs.IN_UNITS.items()
    },
    **{name: bundle(resource) for name, (resource, _) in test_labs.PASSED_OVER.items()},
    **{name: bundle(resource) for name, (resource, _) in test_products.MODIFIED.items()},
    **{f"product {number}": content for number, content in enumerate(PRODUCTS)},
    "an allergy": bundle(test_history.allergy()),
    **{path.name: parse(path.read_bytes()) for path in sorted(PATIENTS.iterdir())},
}


@pytest.mark.parametrize("content", RECORDS.values(), ids=RECORDS.keys())
def test_every_expression_of_a_record_leads_to_its_element(content: Json) -> None:
    given = expressions(read_bundle(content))
    assert given
    assert [e for e in given if not found(content, e)] == []


@pytest.mark.parametrize(
    ("content", "expression"),
    [(content, expression) for content, _, expression in test_refusals.REFUSED.values()],
    ids=test_refusals.REFUSED.keys(),
)
def test_a_refusal_leads_to_the_element_or_to_where_it_is_missing(
    content: Json, expression: str
) -> None:
    if content.get("resourceType") != "Bundle":
        assert expression == "Bundle"
        return
    parent = expression.rpartition(".")[0] or expression
    assert found(content, expression) or found(content, parent)


def test_the_callers_root_stands_before_every_expression() -> None:
    inner = bundle(statement(LT4, dosage(ucum(1, "{tbl}"))))
    content = {"resourceType": "Parameters", "parameter": [{"name": "record", "resource": inner}]}
    record = read_bundle(inner, root="Parameters.parameter[0].resource")
    assert [q.expression for q in record.questions] == [
        "Parameters.parameter[0].resource.entry[1].resource.dosage[0].doseAndRate[0].dose"
    ]
    assert all(found(content, e) for e in expressions(record))
    with pytest.raises(Unreadable) as refusal:
        read_bundle({**inner, "type": "history"}, root="Parameters.parameter[0].resource")
    assert found(content, refusal.value.expression)
