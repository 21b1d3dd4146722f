"""The OpenAPI operation objects of the CDS Hooks routes, and the schemas of their structs."""

import ast
from collections.abc import Mapping
from inspect import cleandoc, getsource
from itertools import pairwise
from textwrap import dedent
from typing import Any

import msgspec
from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema

from crossgrain.cds.answers import CardsAnswer, Discovery
from crossgrain.cds.hook import REQUESTS
from crossgrain.cds.messages import FeedbackCall, Message
from crossgrain.cds.services import SERVICES
from crossgrain.http.requests import PLAIN_JSON
from openapi.operations import OF_A_BODY, errors

Schema = dict[str, Any]
_ID = {
    "name": "id",
    "in": "path",
    "required": True,
    "description": "The service's id, as discovery gives it.",
    "schema": {"enum": sorted({service.id for service in SERVICES})},
}
_SENT: Mapping[str, type[Message]] = {**REQUESTS, "feedback": FeedbackCall}
_TOLD = (CardsAnswer, Discovery)
_PLACE = "#/components/schemas/{}"


class _Described(GenerateJsonSchema):
    """Schemas that say of each field what stands beside it in its struct.

    Without a title for each: it would be the field's name over again.
    """

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False

    def model_schema(self, schema: Any) -> Schema:
        kind, whole = schema["cls"], super().model_schema(schema)
        for name, words in _words_beside_fields(kind).items():
            alias = kind.model_fields[name].alias or name
            whole["properties"][alias]["description"] = words
        return whole


def _words_beside_fields(kind: type[Message]) -> dict[str, str]:
    """The text below each field, in the struct itself and in those that it builds on."""
    words: dict[str, str] = {}
    for own in reversed(kind.__mro__[: kind.__mro__.index(Message)]):
        (body,) = ast.parse(dedent(getsource(own))).body
        assert isinstance(body, ast.ClassDef)
        for part, below in pairwise(body.body):
            match part, below:
                case (
                    ast.AnnAssign(target=ast.Name(id=name)),
                    ast.Expr(value=ast.Constant(value=str(text))),
                ):
                    words[name] = cleandoc(text)
    return words


def _of_structs() -> tuple[dict[str, Schema], dict[str, Schema]]:
    """The schema of each message, and those that they point at by name.

    Without defaults: what has one, some generators of clients take to be always there.
    """
    sent, parts = TypeAdapter.json_schemas(
        [(name, "validation", TypeAdapter(kind)) for name, kind in _SENT.items()],
        ref_template=_PLACE.format("{model}"),
        schema_generator=_Described,
    )
    told, more = msgspec.json.schema_components(_TOLD, ref_template=_PLACE.format("{name}"))
    schemas = {name: schema for (name, _), schema in sent.items()}
    schemas |= {kind.__name__: schema for kind, schema in zip(_TOLD, told, strict=True)}
    schemas["call"] = _one_of({hook: schemas[hook] for hook in REQUESTS})
    named = parts.get("$defs", {}) | more
    for schema in named.values():
        schema.pop("title", None)
        for field in schema.get("properties", {}).values():
            field.pop("default", None)
    return schemas, named


def _one_of(by_hook: Mapping[str, Schema]) -> Schema:
    """The call of one hook or the other, told apart by its name."""
    mapping = {hook: schema["$ref"] for hook, schema in by_hook.items()}
    return {
        "oneOf": list(by_hook.values()),
        "discriminator": {"propertyName": "hook", "mapping": mapping},
    }


_MESSAGES, HOOK_COMPONENTS = _of_structs()


def discovery_docs() -> Schema:
    """``GET /cds-services``."""
    return {
        "summary": "The CDS services",
        "description": "CDS Hooks 2.0 discovery, with the prefetch templates (FHIR R4).",
        "responses": {
            "200": {"description": "Every service and hook.", "content": _json("Discovery")},
            **errors("400", "401"),
        },
    }


def service_docs() -> Schema:
    """``POST /cds-services/{id}``."""
    return {
        "summary": "Call a CDS service",
        "description": "CDS Hooks 2.0. An empty list means that there is nothing to say; it is no"
        " clearance.",
        "parameters": [_ID],
        "requestBody": {"required": True, "content": _json("call")},
        "responses": {
            "200": {"description": "The cards.", "content": _json("CardsAnswer")},
            **errors("400", "401", "404", *OF_A_BODY, "412", "422", "500"),
        },
    }


def feedback_docs() -> Schema:
    """``POST /cds-services/{id}/feedback``."""
    return {
        "summary": "Say what became of cards",
        "description": "CDS Hooks 2.0. Counted, and kept nowhere.",
        "parameters": [_ID],
        "requestBody": {"required": True, "content": _json("feedback")},
        "responses": {
            "200": {"description": "It was counted. No body."},
            **errors("400", "401", "404", *OF_A_BODY, "500"),
        },
    }


def _json(message: str) -> Schema:
    return {PLAIN_JSON: {"schema": _MESSAGES[message]}}
