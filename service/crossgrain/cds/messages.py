"""How a struct of CDS Hooks reads what a client sends, and says what is amiss with it.

``null`` is the same as left out, and fields that are not known are passed over, as CDS Hooks
has it. Everything that is amiss is said at once, each by its place and in the words that stand
beside the field. The OpenAPI document is made of the same structs.
"""

import re
from collections.abc import Iterable
from typing import Annotated, Any, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    model_validator,
)
from pydantic.alias_generators import to_camel
from pydantic_core import InitErrorDetails, PydanticCustomError

from crossgrain.operations.faults import Complaint, Fault, RequestRefused

Resource = dict[str, Any]
Place = tuple[int | str, ...]
ID = r"[A-Za-z0-9\-.]{1,64}"
FHIR_ID = re.compile(ID, re.ASCII)


def said(words: str) -> PydanticCustomError:
    """The error of a value of which these words are said."""
    return PydanticCustomError("amiss", "{words}", {"words": words})


def says(words: str) -> WrapValidator:
    """These words are said of the value, whatever is wrong with it or inside of it."""

    def check(value: object, inner: ValidatorFunctionWrapHandler) -> Any:
        try:
            return inner(value)
        except ValidationError:
            raise said(words) from None

    return WrapValidator(check)


def holds(words: str) -> WrapValidator:
    """These words are said of the value itself; what is wrong inside of it has its own."""

    def check(value: object, inner: ValidatorFunctionWrapHandler) -> Any:
        try:
            return inner(value)
        except ValidationError as wrong:
            if all(error["loc"] for error in wrong.errors()):
                raise
            raise said(words) from None

    return WrapValidator(check)


def refuse(faults: Iterable[tuple[Place, str]]) -> None:
    """Refuse what fields say of each other, each fault by its place."""
    details = [InitErrorDetails(type=said(w), loc=at, input=None) for at, w in faults]
    if details:
        raise ValidationError.from_exception_data("message", details)


def whole(expression: str) -> StringConstraints:
    """The string is this and nothing else, by rules that JSON Schema has as well."""
    return StringConstraints(pattern=f"^{expression}$")


_HEX = "[0-9a-fA-F]"
Uuid = Annotated[
    str,
    whole(f"{_HEX}{{8}}(-{_HEX}{{4}}){{3}}-{_HEX}{{12}}"),
    Field(json_schema_extra={"format": "uuid"}),
]


class Message(BaseModel):
    """An object that a client sends."""

    model_config = ConfigDict(
        alias_generator=to_camel, extra="ignore", frozen=True, use_attribute_docstrings=True
    )

    @model_validator(mode="before")
    @classmethod
    def _null_is_left_out(cls, sent: Any) -> Any:
        """What is required and missing goes on as ``null``, to be asked for in its own words."""
        if not isinstance(sent, dict):
            return sent
        needed = [f.alias or name for name, f in cls.model_fields.items() if f.is_required()]
        return dict.fromkeys(needed) | {k: v for k, v in sent.items() if v is not None}


Sent = TypeVar("Sent", bound=Message)


def read_message(kind: type[Sent], body: Resource, hooks: tuple[str, ...] = ()) -> Sent:
    """Read what a client sent.

    Parameters
    ----------
    kind : the struct
    body : the JSON object
    hooks : those of the service that is called

    Raises
    ------
    RequestRefused
        400, with a complaint for everything that is missing or misshapen.
    """
    try:
        return kind.model_validate(body, context=hooks)
    except ValidationError as wrong:
        errors = wrong.errors(include_url=False, include_context=False, include_input=False)
        raise RequestRefused(
            *(Complaint(Fault.INPUT_SHAPE, _path(e["loc"]), e["msg"]) for e in errors)
        ) from None


def _path(place: Place) -> str:
    steps = (f"[{step}]" if isinstance(step, int) else f".{step}" for step in place)
    return "".join(steps).removeprefix(".")
