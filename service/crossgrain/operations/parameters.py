"""Where a call's record and options stand: a FHIR `Parameters`, or a bare record and a query.

``{"resourceType": "Parameters", "parameter": [{"name": "target", "valueCode": …}]}`` and
``?target=…`` are the two spellings of one option. Unknown options, repeated ones and values
that an option does not take are refused, all of them in one answer.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from crossgrain.names.values import frozen
from crossgrain.operations.faults import (
    Complaint,
    Fault,
    RequestRefused,
    did_you_mean,
    refusal,
)
from crossgrain.operations.options import BadValue, Option
from crossgrain.reading.reading import NOTHING_VOUCHED, Vouched
from crossgrain.reading.record import NOTHING_ANSWERED, Testimony

_JSON_TYPES: dict[str, tuple[type, ...]] = {
    "valueCode": (str,),
    "valueString": (str,),
    "valueDate": (str,),
    "valueInstant": (str,),
    "valueBoolean": (bool,),
    "valueDecimal": (int, float, Decimal),
    "valueReference": (dict,),
    "valueCodeableConcept": (dict,),
}
_BESIDE_THE_VALUE = {"id", "extension", "name"}


@frozen
class Given:
    """One option as the caller gave it.

    `value` is text from a query or a command line, or the whole element of a `Parameters`;
    `place` is its expression.
    """

    name: Any
    value: str | dict[str, Any]
    place: str

    @property
    def expression(self) -> str:
        """Where the value stands."""
        return self.place if isinstance(self.value, str) else f"{self.place}.value"


@frozen
class Call:
    """A record, where it stands in the body, and the options beside it.

    `plan` is an earlier answer, or its care plan, where an operation takes one and it was given;
    `plan_root` is where it stands. `responses` are the answers to the record's questions, each with
    its expression; what has come of them is `settled`, `chosen` (options) and `testimony`.
    """

    record: dict[str, Any]
    root: str
    given: tuple[Given, ...]
    plan: dict[str, Any] | None = None
    plan_root: str = ""
    responses: tuple[tuple[dict[str, Any], str], ...] = ()
    settled: Vouched = NOTHING_VOUCHED
    chosen: tuple[tuple[str, str], ...] = ()
    testimony: Testimony = NOTHING_ANSWERED

    def where_to_give(self, name: str) -> str:
        """The expression of an option that was not given, in the spelling of this call."""
        return where_to_give(name, posted=self.root != "Bundle")


def where_to_give(name: str, *, posted: bool) -> str:
    """The expression of a parameter that was not given: of the query, or of a posted body."""
    return f"Parameters.parameter.where(name='{name}')" if posted else f"http.{name}"


@frozen
class Options:
    """The options' values, checked, by name; and where each was given."""

    values: Mapping[str, tuple[Any, ...]]
    places: Mapping[str, str]
    where_to_give: Callable[[str], str]

    def one(self, name: str, default: Any = None) -> Any:
        """The option's value, or `default` where it was not given."""
        return self.values[name][0] if name in self.values else default

    def all(self, name: str) -> tuple[Any, ...]:
        """Every value of a repeatable option, in the order given."""
        return self.values.get(name, ())

    def with_chosen(self, chosen: Iterable[tuple[str, str]]) -> "Options":
        """The same, with what was chosen in the place of what was given."""
        values = dict(self.values)
        for name, value in chosen:
            values[name] = (*(values[name] if name == "order" and name in values else ()), value)
        return Options(values, self.places, self.where_to_give)

    def place(self, name: str) -> str:
        """The expression of the option: where it stands, or where it would."""
        return self.places.get(name) or self.where_to_give(name)


def from_query(pairs: Iterable[tuple[str, str]]) -> tuple[Given, ...]:
    """Options in the query; FHIR names their place ``http.`` and the name."""
    return tuple(Given(name, value, f"http.{name}") for name, value in pairs)


RECORD, PLAN, ANSWERS = "record", "plan", "answers"


def call_from(
    body: dict[str, Any],
    beside: Sequence[Given],
    *,
    takes_plan: bool = False,
    takes_answers: bool = True,
) -> Call:
    """Find the record and every option, however sent; the plan and the answers, if taken."""
    if body.get("resourceType") == "Bundle":
        return Call(body, "Bundle", tuple(beside))
    if body.get("resourceType") != "Parameters":
        raise refusal(Fault.INPUT_SHAPE, "resourceType", "send a Parameters resource or a Bundle")
    parameters = elements_of(body)
    apart = (RECORD, *((PLAN,) if takes_plan else ()), *((ANSWERS,) if takes_answers else ()))
    given = tuple(
        Given(parameter.get("name"), parameter, f"Parameters.parameter[{index}]")
        for index, parameter in enumerate(parameters)
        if parameter.get("name") not in apart
    )
    record, root = _record(parameters)
    plan, plan_root = _plan(parameters) if takes_plan else (None, "")
    responses = _responses(parameters) if takes_answers else ()
    return Call(record, root, (*given, *beside), plan, plan_root, responses)


def with_plan(body: dict[str, Any], plan: dict[str, Any]) -> dict[str, Any]:
    """The call with a plan beside its record."""
    return with_beside(body, PLAN, plan)


def with_beside(body: dict[str, Any], name: str, resource: dict[str, Any]) -> dict[str, Any]:
    """The call with one more resource beside its record."""
    given = {"name": name, "resource": resource}
    if body.get("resourceType") == "Parameters":
        return {**body, "parameter": [*elements_of(body), given]}
    record = {"name": RECORD, "resource": body}
    return {"resourceType": "Parameters", "parameter": [record, given]}


def elements_of(body: dict[str, Any], root: str = "Parameters") -> list[dict[str, Any]]:
    """Every parameter of a `Parameters` that stands at `root`.

    Raises
    ------
    RequestRefused
        where it is not a list of objects, or carries what may change its meaning.
    """
    parameters = body.get("parameter")
    if not isinstance(parameters, list) or not all(isinstance(p, dict) for p in parameters):
        raise refusal(Fault.INPUT_SHAPE, f"{root}.parameter", "this must be a list of objects")
    for place, element in [
        (root, body),
        *((f"{root}.parameter[{i}]", parameter) for i, parameter in enumerate(parameters)),
    ]:
        for refused in ("modifierExtension", "implicitRules"):
            if refused in element:
                raise refusal(
                    Fault.INPUT_SHAPE,
                    f"{place}.{refused}",
                    "this may change the meaning of what it stands in and is not understood",
                )
    return parameters


def resource_in(
    parameters: list[dict[str, Any]], name: str, root: str = "Parameters"
) -> tuple[object, str] | None:
    """The resource of a parameter that may be given once, and where it stands."""
    places = [i for i, parameter in enumerate(parameters) if parameter.get("name") == name]
    if len(places) > 1:
        raise refusal(
            Fault.OPTION_REPEATED,
            f"{root}.parameter[{places[1]}]",
            f"{name} is given more than once",
        )
    if not places:
        return None
    place = f"{root}.parameter[{places[0]}]"
    return _alone(parameters[places[0]], place).get("resource"), f"{place}.resource"


def _alone(parameter: dict[str, Any], place: str) -> dict[str, Any]:
    """A parameter that is given as a resource, refused where it has a value or parts as well."""
    if set(parameter) - _BESIDE_THE_VALUE - {"resource"}:
        words = f"{parameter['name']} is given as a resource, and as nothing else"
        raise refusal(Fault.INPUT_SHAPE, place, words)
    return parameter


def _record(parameters: list[dict[str, Any]]) -> tuple[dict[str, Any], str]:
    found = resource_in(parameters, RECORD)
    if found is None:
        raise refusal(
            Fault.OPTION_MISSING,
            f"Parameters.parameter.where(name='{RECORD}')",
            "give the patient's record: a parameter named record with a Bundle as its resource",
        )
    record, root = found
    if not isinstance(record, dict) or record.get("resourceType") != "Bundle":
        raise refusal(Fault.INPUT_SHAPE, root, "the record is a Bundle")
    return record, root


def _responses(parameters: list[dict[str, Any]]) -> tuple[tuple[dict[str, Any], str], ...]:
    """The answers to the record's questions, each with its expression."""
    found = []
    for number, parameter in enumerate(parameters):
        if parameter.get("name") == ANSWERS:
            own = f"Parameters.parameter[{number}]"
            place, response = f"{own}.resource", _alone(parameter, own).get("resource")
            answers = isinstance(response, dict) and response.get("resourceType") == _RESPONSE
            if not isinstance(response, dict) or not answers:
                raise refusal(Fault.INPUT_SHAPE, place, f"the answers are a {_RESPONSE}")
            found.append((response, place))
    return tuple(found)


_RESPONSE = "QuestionnaireResponse"


def _plan(parameters: list[dict[str, Any]]) -> tuple[dict[str, Any] | None, str]:
    found = resource_in(parameters, PLAN)
    if found is None:
        return None, ""
    plan, root = found
    if not isinstance(plan, dict) or plan.get("resourceType") not in ("Bundle", "CarePlan"):
        raise refusal(Fault.INPUT_SHAPE, root, "the plan is an earlier answer, or its CarePlan")
    return plan, root


def read_options(call: Call, table: Sequence[Option]) -> Options:
    """Check every option of a call against the table.

    Raises
    ------
    RequestRefused
        with a complaint for each unknown, repeated, misplaced or unusable option.
    """
    known = {option.name: option for option in table}
    values: dict[str, tuple[Any, ...]] = {}
    places: dict[str, str] = {}
    complaints: list[Complaint] = []
    for one in call.given:
        try:
            option = _option(one, known, values)
            value = _value(one, option)
        except RequestRefused as refused:
            complaints.extend(refused.complaints)
            continue
        values[option.name] = (*values.get(option.name, ()), value)
        places[option.name] = one.expression
    if complaints:
        raise RequestRefused(*complaints)
    return Options(values, places, call.where_to_give)


def _option(one: Given, known: Mapping[str, Option], seen: Collection[str]) -> Option:
    again = [name for name in seen if not known[name].repeatable]
    return known[known_name(one, known, again)]


def known_name(one: Given, known: Collection[str], again: Collection[str] = ()) -> str:
    """The option's name.

    Raises
    ------
    RequestRefused
        where it is not one of `known`, or one of `again`, which may not be given once more.
    """
    if not isinstance(one.name, str) or one.name not in known:
        raise refusal(
            Fault.OPTION_UNKNOWN,
            one.place if isinstance(one.value, str) else f"{one.place}.name",
            f"this option is not known; known are: {', '.join(known) or 'none'}"
            f"{did_you_mean(one.name, known)}",
        )
    if one.name in again:
        raise refusal(Fault.OPTION_REPEATED, one.place, f"{one.name} is given more than once")
    return one.name


def _value(one: Given, option: Option) -> Any:
    try:
        if isinstance(one.value, str):
            if not option.in_query and one.place.startswith("http."):
                raise BadValue(
                    f"{option.name} may point at a patient and does not belong in a URL: send it"
                    " in Parameters"
                )
            return option.read(one.value)
        return option.read(_typed(one.value, option))
    except BadValue as bad:
        raise refusal(Fault.OPTION_VALUE, one.expression, str(bad)) from None


def _typed(parameter: dict[str, Any], option: Option) -> Any:
    """The one value[x] of a parameter, refused when it is of another type."""
    value = parameter.get(option.value_key)
    expected = _JSON_TYPES[option.value_key]
    stray = set(parameter) - _BESIDE_THE_VALUE - {option.value_key}
    is_number = isinstance(value, bool) and bool not in expected
    if stray or is_number or not isinstance(value, expected):
        raise BadValue(f"{option.name} is given as {option.value_key}, and as nothing else")
    return value
