"""Our definitions found by their canonical, and FHIR's terminology operations over our codes.

A validator or an integrator who meets ``http://crossgrain.example/fhir/…`` in an answer asks any
deployment for it: the canonical is the same everywhere, and its host need not exist.

https://hl7.org/fhir/R4/codesystem-operations.html, https://hl7.org/fhir/R5/valueset-operations.html
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from crossgrain import __version__
from crossgrain.app.conformance.definitions import PUBLISHED, Resource
from crossgrain.app.conformance.profiles import whole
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations.faults import Complaint, Fault, RequestRefused, refusal
from crossgrain.operations.parameters import Given, elements_of, known_name, where_to_give

Shelf = Mapping[tuple[str, str], Resource]
SEARCHED_BY = {
    "url": "uri",
    "version": "token",
    "_id": "token",
}
"""Search parameters of every definition, and their types."""
PAGED_BY = {
    "_count": "How many to give at once; 0 asks for the total alone.",
    "_offset": "The first to give, counted from 0, as the link to the next page has it.",
}
"""How much of what is found is given: general clients ask for one by ``_count=1``."""


def search(
    kind: str, version: FhirVersion, shelf: Shelf, asked: Sequence[Given], address: str
) -> Resource:
    """A searchset of the definitions of a kind that every parameter asks for.

    ``url`` may end in ``|version``, as a canonical does where it is named; a comma stands between
    values of which one is enough. The links, to the page itself and to the next where there is
    one, begin with `address`.

    Raises
    ------
    RequestRefused
        for a parameter that is none of `SEARCHED_BY` and `PAGED_BY`, or a page that cannot be.
    """
    refuse_others(asked, (*SEARCHED_BY, *PAGED_BY))
    by = [one for one in asked if one.name in SEARCHED_BY]
    found = [
        resource
        for (of_kind, _), resource in shelf.items()
        if of_kind == kind and all(_is_one_of(resource, one) for one in by)
    ]
    call = TerminologyCall(version, shelf, None, asked)
    first, most = _whole(call, "_offset", 0), _whole(call, "_count", len(found))
    said = {one.name: _text(one) for one in asked}
    links = [{"relation": "self", "url": _with_query(address, said)}]
    if 0 < most < len(found) - first:
        following = said | {"_count": str(most), "_offset": str(first + most)}
        links.append({"relation": "next", "url": _with_query(address, following)})
    body: Resource = {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": len(found),
        "link": links,
    }
    if shown := found[first : first + most]:
        match = {"mode": "match"}
        body["entry"] = [
            {"fullUrl": r["url"], "resource": whole(r, version), "search": match} for r in shown
        ]
    return body


def _is_one_of(resource: Resource, one: Given) -> bool:
    """Whether a definition is what a parameter asks for, by one of its values."""
    return any(
        all(resource[element] == part for element, part in _apart(one.name, value))
        for value in _text(one).split(",")
    )


def _apart(name: str, value: str) -> Iterable[tuple[str, str]]:
    url, bar, version = value.partition("|") if name == "url" else (value, "", "")
    yield name.removeprefix("_"), url
    if bar:
        yield "version", version


def _with_query(address: str, said: Mapping[str, str]) -> str:
    return f"{address}?{urlencode(said)}" if said else address


@frozen
class TerminologyCall:
    """One call: the version spoken, what there is, the definition it names, what was asked.

    `posted` says whether it came as a body: there its parameters stand, or would. `coded_in` is the
    code system that a `coding` in it names.
    """

    version: FhirVersion
    shelf: Shelf
    own_id: str | None
    asked: Sequence[Given]
    posted: bool = False
    coded_in: str | None = None

    def one(self, name: str) -> str | None:
        """The parameter's value, or ``None``."""
        return next((_text(given) for given in self.asked if given.name == name), None)

    def place(self, name: str) -> str:
        """The expression of a parameter: where its value stands, or where it would."""
        stands = next((given.expression for given in self.asked if given.name == name), None)
        return stands or where_to_give(name, posted=self.posted)

    def definition(self, kind: str, by: str) -> Resource:
        """The definition at whose address the call stands, or that the parameter `by` names.

        Raises
        ------
        RequestRefused
            ``not-found``, or ``required`` where none is named.
        """
        if self.own_id is not None:
            found = self.shelf.get((kind, self.own_id))
        else:
            named = self.one(by)
            if named is None:
                raise refusal(Fault.OPTION_MISSING, self.place(by), f"name the {kind} by its {by}")
            url, _, version = named.partition("|")
            version = version or self.one(_VERSION_OF[kind]) or __version__
            found = next(
                (
                    each
                    for (of_kind, _), each in self.shelf.items()
                    if of_kind == kind and (each["url"], each["version"]) == (url, version)
                ),
                None,
            )
        if found is None:
            raise refusal(Fault.NOT_FOUND, self.place(by), f"no such {kind} is defined here")
        return found

    def code(self) -> str:
        """The code asked about."""
        code = self.one("code")
        if code is None:
            raise refusal(Fault.OPTION_MISSING, self.place("code"), "name the code")
        return code


_VERSION_OF = {"CodeSystem": "version", "ValueSet": "valueSetVersion"}


def lookup(call: TerminologyCall) -> Resource:
    """What one code means."""
    system = call.definition("CodeSystem", "system")
    concept = _concept(system, call.code())
    if concept is None:
        raise refusal(Fault.NOT_FOUND, call.place("code"), f"{system['url']} has no such code")
    definition = concept.get("definition")
    parts: list[Resource] = [
        {"name": "name", "valueString": system["title"]},
        {"name": "version", "valueString": system["version"]},
        {"name": "display", "valueString": concept["display"]},
    ]
    properties = [(each["code"], "valueCode", each["valueCode"]) for each in _properties(concept)]
    if definition and call.version is FhirVersion.R5:
        parts.append({"name": "definition", "valueString": definition})
    elif definition:  # R4 has no such part
        properties.append(("definition", "valueString", definition))
    parts += [_property(*each) for each in properties]
    return _parameters(parts)


def _properties(concept: Resource) -> Sequence[Resource]:
    found: Sequence[Resource] = concept.get("property", ())
    return found


def _property(code: str, key: str, value: str) -> Resource:
    held: list[Resource] = [
        {"name": "code", "valueCode": code},
        {"name": "value", key: value},
    ]
    return {"name": "property", "part": held}


def validate_in_system(call: TerminologyCall) -> Resource:
    """Whether a code is one of a code system, and its display as given."""
    system = call.definition("CodeSystem", "url")
    if call.coded_in not in {None, system["url"]}:
        return _has_none_of(system, call.coded_in)
    return _validated(call, system, system)


def validate_in_set(call: TerminologyCall) -> Resource:
    """Whether a code is in a value set; ours hold codes of one code system each."""
    held = call.definition("ValueSet", "url")
    system = _system_of(held, call.shelf)
    named = call.one("system")
    if named is not None and named != system["url"]:
        return _has_none_of(held, named)
    return _validated(call, system, held)


def _has_none_of(held: Resource, named: str | None) -> Resource:
    return _parameters([_said(result=False), _message(f"{held['url']} has no code of {named}")])


def _validated(call: TerminologyCall, system: Resource, held: Resource) -> Resource:
    """Whether the code is one of `system`; where it is not, it is `held` that has none such."""
    concept, display = _concept(system, call.code()), call.one("display")
    if concept is None:
        return _parameters([_said(result=False), _message(f"{held['url']} has no such code")])
    shown = {"name": "display", "valueString": concept["display"]}
    if display is not None and display != concept["display"]:
        words = f"its display is “{concept['display']}”"
        return _parameters([_said(result=False), _message(words), shown])
    return _parameters([_said(result=True), shown])


def expand(call: TerminologyCall) -> Resource:
    """The codes of a value set, those that `filter` names, from `offset`, at most `count`.

    The time of the expansion is the day of publication: the same call has the same answer.
    """
    held = call.definition("ValueSet", "url")
    system = _system_of(held, call.shelf)
    words = (call.one("filter") or "").casefold()
    found = [
        {"system": system["url"], "code": each["code"], "display": each["display"]}
        for each in system["concept"]
        if words in each["code"].casefold() or words in each["display"].casefold()
    ]
    offset, count = _whole(call, "offset", 0), _whole(call, "count", len(found))
    expansion: Resource = {
        "identifier": f"{held['url']}|{held['version']}",
        "timestamp": PUBLISHED,
        "total": len(found),
    }
    if call.one("offset") is not None or call.one("count") is not None:
        expansion["offset"] = offset
    contains = found[offset : offset + count]
    if contains:
        expansion["contains"] = contains
    return {**held, "expansion": expansion}


def _whole(call: TerminologyCall, name: str, otherwise: int) -> int:
    given = call.one(name)
    if given is None:
        return otherwise
    if not (given.isascii() and given.isdigit() and len(given) <= _MOST_DIGITS):
        raise refusal(Fault.OPTION_VALUE, call.place(name), "this is a whole number from 0 up")
    return int(given)


_MOST_DIGITS = 9


def _concept(system: Resource, code: str) -> Resource | None:
    return next((each for each in system["concept"] if each["code"] == code), None)


def _system_of(held: Resource, shelf: Shelf) -> Resource:
    """The code system whose codes a value set has: ours, whole, or the ones that it lists."""
    (included,) = held["compose"]["include"]
    if "concept" in included:
        return {"url": included["system"], "concept": included["concept"]}
    return shelf["CodeSystem", held["id"]]


def _said(*, result: bool) -> Resource:
    return {"name": "result", "valueBoolean": result}


def _message(words: str) -> Resource:
    return {"name": "message", "valueString": words}


def _parameters(parts: list[Resource]) -> Resource:
    return {"resourceType": "Parameters", "parameter": parts}


@frozen
class TerminologyOperation:
    """One of FHIR's own operations, as far as it is served.

    `takes` are the parameters that it knows, each with what it says; `definition` is FHIR's.
    """

    kind: str
    name: str
    takes: Mapping[str, str]
    answer: Callable[[TerminologyCall], Resource]
    system_as: str = "system"
    """The parameter that stands for the system of a `coding`."""
    at_instance: bool = True

    @property
    def definition(self) -> str:
        """The canonical of FHIR's own definition."""
        return f"http://hl7.org/fhir/OperationDefinition/{self.kind}-{self.name}"


_CODE = {"code": "The code."}
_DISPLAY = {"display": "The display that goes with it, if that is to be checked."}
_OF_SYSTEM = "The canonical of one of our code systems."
_OF_SET = {
    "url": "The canonical of one of our value sets.",
    "valueSetVersion": "Its version; the present one where left out.",
}
_VERSION = {"version": "Its version; the present one where left out."}
TERMINOLOGY = (
    TerminologyOperation(
        "CodeSystem", "lookup", {"system": _OF_SYSTEM, **_VERSION, **_CODE}, lookup,
        at_instance=False,
    ),
    TerminologyOperation(
        "CodeSystem", "validate-code", {"url": _OF_SYSTEM, **_VERSION, **_CODE, **_DISPLAY},
        validate_in_system,
        system_as="url",
    ),
    TerminologyOperation(
        "ValueSet", "validate-code",
        {**_OF_SET, "system": "The code system of the code.", **_CODE, **_DISPLAY},
        validate_in_set,
    ),
    TerminologyOperation(
        "ValueSet", "expand",
        {
            **_OF_SET,
            "filter": "Only codes that hold these words, in the code or its display.",
            "offset": "The first code to give, counted from 0.",
            "count": "How many codes to give.",
        },
        expand,
    ),
)  # fmt: skip


def asked_in_body(body: dict[str, Any], system_as: str) -> tuple[Given, ...]:
    """The parameters of a POST; a `coding` as its system, code and display.

    Its system stands for `system_as` only where that is not given itself.

    Raises
    ------
    RequestRefused
        where the body is no `Parameters`, or a parameter has no value that is text or a number.
    """
    if body.get("resourceType") != "Parameters":
        raise refusal(Fault.INPUT_SHAPE, "resourceType", "send a Parameters resource")
    asked: list[Given] = []
    sent = elements_of(body) if "parameter" in body else []
    names_it = system_as == "url" and any(each.get("name") == "url" for each in sent)
    for number, each in enumerate(sent):
        name = each.get("name")
        values = [value for key, value in each.items() if key.startswith("value")]
        place = f"Parameters.parameter[{number}]"
        if not isinstance(name, str) or len(values) != 1:
            raise refusal(Fault.INPUT_SHAPE, place, "a parameter has a name and one value")
        coding = each.get("valueCoding")
        if name == "coding" and isinstance(coding, dict):
            asked += [
                Given(system_as if of == "system" else of, {"value": coding[of]}, place)
                for of in ("system", "code", "display")
                if of in coding
                and not (of == "system" and names_it and isinstance(coding[of], str))
            ]
        else:
            asked.append(Given(name, each, place))
    for given in asked:
        if not (isinstance(_value(given), str) or type(_value(given)) is int):
            raise refusal(Fault.OPTION_VALUE, given.expression, "this value is not taken here")
    return tuple(asked)


def coded_in(body: dict[str, Any]) -> str | None:
    """The code system that the `coding` of a body names; ``None`` where none does."""
    for each in body.get("parameter", ()):
        coding = each.get("valueCoding") if each.get("name") == "coding" else None
        system = coding.get("system") if isinstance(coding, dict) else None
        if isinstance(system, str):
            return system
    return None


def _value(one: Given) -> Any:
    if isinstance(one.value, str):
        return one.value
    return next(value for key, value in one.value.items() if key.startswith("value"))


def _text(one: Given) -> str:
    return str(_value(one))


def refuse_others(asked: Iterable[Given], known: Iterable[str]) -> None:
    """Refuse, all at once, what is not known or stands twice."""
    known, seen = tuple(known), set[str]()
    complaints: list[Complaint] = []
    for one in asked:
        try:
            seen.add(known_name(one, known, seen))
        except RequestRefused as refused:
            complaints.extend(refused.complaints)
    if complaints:
        raise RequestRefused(*complaints)
