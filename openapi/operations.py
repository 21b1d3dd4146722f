"""The OpenAPI operation objects of the FHIR routes and of the sheet."""

from collections.abc import Mapping
from typing import Any

from crossgrain.app.conformance.lookup import PAGED_BY, SEARCHED_BY, TerminologyOperation
from crossgrain.app.pages import ALSO_IN_THE_BODY
from crossgrain.http.requests import SPOKEN
from crossgrain.http.routes import CALENDAR, HTML
from crossgrain.operations.apply import CONTEXT, plan_options
from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import TABLE
from crossgrain.operations.options import Option, page_options
from crossgrain.operations.screen_switches import screening_options

_PAGE = (
    "One HTML document in UTF-8 that loads nothing from elsewhere. Where there is no plan it says"
    " why: the questions, or the safety stop."
)
_DATES = (
    "An iCalendar file (RFC 5545): an all-day event on the first day of every step and on every"
    " day of a blood test. Where there is no plan the answer is 406."
)
_QUERY_TYPES: Mapping[str, dict[str, Any]] = {
    "valueCode": {"type": "string"},
    "valueString": {"type": "string"},
    "valueDate": {"type": "string", "format": "date"},
    "valueInstant": {"type": "string", "format": "date-time"},
    "valueBoolean": {"type": "boolean"},
    "valueDecimal": {"type": "string", "pattern": r"^\d{1,4}(\.\d{1,6})?$"},
}
_BODY_TYPES: Mapping[str, dict[str, Any]] = {
    "valueDecimal": {"type": "number"},
    "valueCodeableConcept": {"type": "object"},
    "valueReference": {
        "type": "object",
        "required": ["reference"],
        "properties": {"reference": {"type": "string"}},
    },
}
_FORM_OPTIONS = [
    {
        "name": "_format",
        "in": "query",
        "description": "The answer's media type; goes before the Accept header.",
        "schema": {"type": "string", "enum": ["json", *SPOKEN]},
    },
    {
        "name": "_pretty",
        "in": "query",
        "description": "Indent the answer.",
        "schema": {"type": "boolean"},
    },
]


def operation_docs(
    own_id: str,
    summary: str,
    description: str,
    options: tuple[Option, ...],
    answer: str,
    *,
    answered: str = "Bundle",
) -> dict[str, Any]:
    """The OpenAPI operation object of one FHIR operation.

    Parameters
    ----------
    own_id : which of `call_schemas` is sent
    options : those that may also stand in the query
    answer : what is said of the answer
    answered : the schema of the answer
    """
    sent = {"oneOf": [_schema("Bundle"), _schema(schema_name(own_id))]}
    return {
        "summary": summary,
        "description": description,
        "parameters": [*(_query_option(o) for o in options if o.in_query), *_FORM_OPTIONS],
        "requestBody": {"required": True, "content": _content(sent)},
        "responses": {
            "200": {"description": answer, "content": _content(_schema(answered))},
            **errors("400", "401", "403", "404", "405", "406", *OF_A_BODY, "422", "500"),
        },
    }


OF_A_BODY = ("408", "413", "415", "501")
"""What may be wrong with the arriving of a body."""


def errors(*statuses: str) -> dict[str, Any]:
    """The responses object of those errors, and of those that any route may answer with."""
    every = sorted({*statuses, "414", "431", "503"})
    return {status: _error(_meaning(int(status))) for status in every}


def read_docs(ids: tuple[str, ...]) -> dict[str, Any]:
    """The OpenAPI operation object of a conformance resource, or of all of one type by id."""
    statuses = ("400", "404", "406") if ids else ("400", "406")
    return {
        "parameters": [*([_by_id(ids)] if ids else []), *_FORM_OPTIONS],
        "responses": _answered("The resource.", "Resource", *statuses),
    }


def package_docs() -> dict[str, Any]:
    """The OpenAPI operation object of a package."""
    held = {"application/gzip": {"schema": {"type": "string", "format": "binary"}}}
    package = {"description": "A gzipped tar of the FHIR package.", "content": held}
    return {"responses": {"200": package, **errors("400")}}


def search_docs(kind: str) -> dict[str, Any]:
    """The OpenAPI operation object of the search of one type of definition."""
    return {
        "summary": f"Find definitions: {kind}",
        "parameters": [
            *(
                _in_query(name, f"Search parameter of type {of}.")
                for name, of in SEARCHED_BY.items()
            ),
            *(_in_query(name, says) for name, says in PAGED_BY.items()),
            *_FORM_OPTIONS,
        ],
        "responses": _answered("A searchset Bundle.", "Bundle", "400", "406"),
    }


_TERMS = (("A Parameters.", "Parameters"), ("A ValueSet with its expansion.", "Resource"))
"""What the terminology operations answer with: most of them, and ``$expand``."""


def terminology_docs(served: TerminologyOperation) -> dict[str, Any]:
    """The OpenAPI operation object of a terminology operation."""
    elsewhere = " and asked at one definition by its id," if served.at_instance else ""
    return {
        "summary": f"{served.kind}/${served.name}",
        "description": "The parameters, or a coding, may also be posted as a Parameters"
        f" resource,{elsewhere} as FHIR has it.",
        "externalDocs": {"url": served.definition},
        "parameters": [
            *(_in_query(name, says) for name, says in served.takes.items()),
            *_FORM_OPTIONS,
        ],
        "responses": _answered(*_TERMS[served.name == "expand"], "400", "404", "406"),
    }


def _in_query(name: str, description: str) -> dict[str, Any]:
    return {
        "name": name,
        "in": "query",
        "description": description,
        "schema": {"type": "string"},
    }


def _answered(description: str, schema: str, *statuses: str) -> dict[str, Any]:
    content = _content(_schema(schema))
    return {"200": {"description": description, "content": content}, **errors(*statuses)}


def _by_id(ids: tuple[str, ...]) -> dict[str, Any]:
    return {
        "name": "id",
        "in": "path",
        "required": True,
        "description": "Its id.",
        "schema": {"type": "string", "enum": list(ids)},
    }


def apply_docs(summary: str, description: str, options: tuple[Option, ...]) -> dict[str, Any]:
    """The OpenAPI operation object of ``$apply``."""
    docs = operation_docs(
        "apply",
        summary,
        f"{description} The patient is the subject. The same at PlanDefinition/$apply, where"
        " planDefinition (or in R5 url) names our one plan definition.",
        options,
        "R4: a CarePlan with everything contained. R5: a Parameters with one Bundle.",
        answered="Resource",
    )
    docs["requestBody"]["content"] = _content(_schema(schema_name("apply")))
    return docs


def next_step_docs(
    title: str, description: str, options: tuple[Option, ...], own_id: str = "next-step"
) -> dict[str, Any]:
    """The OpenAPI operation object of ``$next-step``."""
    return operation_docs(
        own_id,
        title,
        description,
        options,
        "A collection Bundle. Its GuidanceResponse says where the patient stands, what is done and"
        " why; what follows is only what changes, each with what it replaces.",
    )


def sheet_docs(options: tuple[Option, ...]) -> dict[str, Any]:
    """The OpenAPI operation object of ``/sheet``."""
    return _page_docs(
        operation_docs(
            "sheet",
            "The plan sheet",
            f"The call of $propose-switch, answered with {_SELF_CONTAINED}",
            options,
            "",
        )
    )


def visit_sheet_docs(options: tuple[Option, ...]) -> dict[str, Any]:
    """The OpenAPI operation object of ``/sheet/next-step``."""
    return _page_docs(
        next_step_docs(
            "The sheet of a next step",
            "The call of $next-step: what was done, what is now, what comes next, answered with"
            f" {_SELF_CONTAINED}",
            options,
            "sheet-next-step",
        )
    )


_SELF_CONTAINED = (
    "one self-contained page: a part for the prescriber and one for the patient. FHIR R5 is sent"
    " with fhirVersion=5.0 in the Content-Type."
)


def _page_docs(docs: dict[str, Any]) -> dict[str, Any]:
    """The operation object of a call that is answered with a page."""
    docs["parameters"] = [p for p in docs["parameters"] if not p["name"].startswith("_")]
    docs["responses"]["200"] = {
        "description": "The page; or, where only text/calendar is accepted, the plan's dates.",
        "content": {
            HTML: {"schema": {"type": "string", "description": _PAGE}},
            CALENDAR: {"schema": {"type": "string", "description": _DATES}},
        },
    }
    return docs


def call_schemas(desk: Desk) -> dict[str, Any]:
    """What may be sent to each operation as a `Parameters`, by the name of its schema.

    One schema for both versions and both media types: what is repeated in place, a generator of
    clients makes a second type of.
    """
    switch, step = desk.switch_options, desk.next_step_options
    plan = _named("plan", _of_kind(enum=["Bundle", "CarePlan"]))
    answers = _named("answers", _of_kind("questionnaire", const="QuestionnaireResponse"))
    sent = {
        "propose-switch": [answers, *map(_body_option, switch)],
        "compare-bases": [answers, *map(_body_option, desk.comparison_options)],
        "screen-switches": [*map(_body_option, screening_options(switch))],
        "next-step": [answers, *map(_body_option, step), plan],
        "sheet": [answers, *map(_body_option, page_options(switch))],
        "sheet-next-step": [answers, *map(_body_option, page_options(step)), plan],
    }
    record = _named("record", _schema("Bundle"))
    schemas = {own_id: _parameters([record, *beside]) for own_id, beside in sent.items()}
    schemas["apply"] = _apply_schema(plan_options(desk))
    return {schema_name(own_id): schema for own_id, schema in schemas.items()}


def schema_name(own_id: str) -> str:
    """The name of what is sent to an operation, e.g. ``ProposeSwitchParameters``."""
    return f"{own_id.title().replace('-', '')}Parameters"


def _schema(name: str) -> dict[str, Any]:
    return {"$ref": f"#/components/schemas/{name}"}


def _of_kind(*required: str, **kind: Any) -> dict[str, Any]:
    """A resource of a type that is named."""
    return {
        "type": "object",
        "required": ["resourceType", *required],
        "properties": {"resourceType": kind},
        "additionalProperties": True,
    }


def _apply_schema(options: tuple[Option, ...]) -> dict[str, Any]:
    nested = _parameters([_body_option(option) for option in options])
    return _parameters(
        [
            *(_body_option(option) for option in CONTEXT),
            _named("data", _schema("Bundle")),
            _named("parameters", nested),
        ]
    )


def _parameters(items: list[dict[str, Any]]) -> dict[str, Any]:
    """A `Parameters` of these."""
    return {
        "type": "object",
        "required": ["resourceType", "parameter"],
        "properties": {
            "resourceType": {"const": "Parameters"},
            "parameter": {"type": "array", "items": {"oneOf": items}},
        },
    }


def _named(name: str, resource: dict[str, Any]) -> dict[str, Any]:
    """A parameter that carries a resource."""
    return {
        "title": name,
        "type": "object",
        "required": ["name", "resource"],
        "properties": {"name": {"const": name}, "resource": resource},
    }


def _content(schema: dict[str, Any]) -> dict[str, Any]:
    return {media_type: {"schema": schema} for media_type in SPOKEN}


def _error(text: str) -> dict[str, Any]:
    content = {SPOKEN[0]: {"schema": _schema("OperationOutcome")}}
    return {"description": text, "content": content}


def _meaning(status: int) -> str:
    """What the faults of that status mean, each said once."""
    rows = (row for rows in TABLE.values() for row in rows.values())
    words = dict.fromkeys(row.words for row in rows if row.status == status)
    return " ".join(f"{said[0].upper()}{said[1:]}." for said in words)


def _query_option(option: Option) -> dict[str, Any]:
    return {
        "name": option.name,
        "in": "query",
        "description": f"{option.meaning}{ALSO_IN_THE_BODY}",
        "schema": _QUERY_TYPES[option.value_key] | _enumeration(option),
    }


def _body_option(option: Option) -> dict[str, Any]:
    value = _BODY_TYPES.get(option.value_key) or _QUERY_TYPES[option.value_key]
    return {
        "title": option.name,
        "type": "object",
        "description": option.meaning,
        "required": ["name", option.value_key],
        "properties": {
            "name": {"const": option.name},
            option.value_key: value | _enumeration(option),
        },
    }


def _enumeration(option: Option) -> dict[str, Any]:
    """The codes it takes; a deployment may know more bases than those that are shipped."""
    if not option.codes:
        return {}
    codes = {"type": "string", "enum": list(option.codes)}
    if option.name != "basis":
        return codes
    own = {"type": "string", "description": "The id of a basis of the clinic's own file."}
    return {"anyOf": [codes, own]}
