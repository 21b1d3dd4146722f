"""Calls that a careless, a broken or a hostile client makes, and sound ones between them."""

import json
import random
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from hypothesis import strategies as st
from tests.api.hooks import ORDER, REVIEW, call, grains, levothyroxine
from tests.conformance.r5_records import as_r5
from tests.properties.reading.mutations import PATIENTS, changed, written

Json = dict[str, Any]
FHIR = "application/fhir+json"
PEOPLE = range(1, len(PATIENTS) + 1)


def mark(number: int) -> str:
    """What stands in the ids and names of one patient's record, and nowhere else."""
    return f"Zq{number:02}marked"


def marked(tree: Any, number: int) -> Any:
    """A record in which a patient's id and name carry their mark."""
    own = f"p{number:02}"
    text = json.dumps(tree, default=float)
    for part in (f"Patient/{own}", f'"id": "{own}"', f'"patientId": "{own}"'):
        text = text.replace(part, part.replace(own, f"{own}{mark(number)}"))
    tree = json.loads(text)
    for resource in [entry["resource"] for entry in tree.get("entry", ())]:
        for name in resource.get("name", ()) if resource["resourceType"] == "Patient" else ():
            name["family"] = mark(number)
    return tree


RECORDS = {
    (version, number): marked(as_r5(record) if version == "r5" else record, number)
    for version in ("r4", "r5")
    for number, record in enumerate(PATIENTS, start=1)
}
FILES = {1: "01-levothyroxine-150.json", 2: "02-desiccated-120.json"}
SWITCHED = "15-switched-at-half-the-dose.json"


@dataclass(frozen=True)
class Call:
    """One request; `whose` is the patient whose record it carries, if anyone's."""

    path: str
    body: bytes
    whose: int = 0
    method: str = "POST"
    headers: tuple[tuple[str, str], ...] = (("content-type", FHIR),)

    def __repr__(self) -> str:
        """Short enough to read where a conversation fails."""
        digest = sha256(self.body).hexdigest()[:12]
        return f"Call({self.method} {self.path}, {len(self.body)} bytes {digest}, {self.headers})"

    def _repr_pretty_(self, printer: Any, cycle: bool) -> None:  # what Hypothesis prints
        printer.text(repr(self))


# --- sound calls -------------------------------------------------------------------------------

TARGETS = [
    "levothyroxine", "liothyronine", "desiccated-thyroid", "levothyroxine-liothyronine",
    "desiccated-thyroid-liothyronine",
]  # fmt: skip
OPTIONS: dict[str, tuple[str, list[Any]]] = {
    "target": ("valueCode", TARGETS),
    "basis": ("valueCode", ["practice", "label", "trial", "content"]),
    "pace": ("valueCode", ["standard", "brisk", "cautious"]),
    "prior-therapy": ("valueCode", ["overlap", "stop"]),
    "ratio": ("valueDecimal", [13, 17, 20]),
    "t3-share": ("valueDecimal", [0.1, 0.25, 0.5]),
    "guideline": ("valueBoolean", [True, False]),
    "start": ("valueDate", ["2025-03-03", "2025-03-10"]),
    "response": ("valueCode", ["collection", "transaction"]),
    "detail": ("valueCode", ["full", "full", "brief"]),
    "sheet": ("valueBoolean", [False, False, True]),
}
COMPOSES = {
    "ratio": "levothyroxine-liothyronine",
    "guideline": "levothyroxine-liothyronine",
    "t3-share": "desiccated-thyroid-liothyronine",
}
"""Options that make sense for one target alone."""


@st.composite
def proposals(draw: st.DrawFn) -> Call:
    """A sound call for a proposal, as Parameters or as a bare Bundle."""
    version, number = draw(st.sampled_from(sorted(RECORDS)))
    chosen = draw(st.sets(st.sampled_from(sorted(OPTIONS)), max_size=4)) | {"target"}
    options = {name: draw(st.sampled_from(OPTIONS[name][1])) for name in sorted(chosen)}
    for name, target in COMPOSES.items():
        if options["target"] != target:
            options.pop(name, None)
    options["as-of"] = "2025-03-03"
    path = f"/fhir/{version}/$propose-switch"
    record = RECORDS[version, number]
    if draw(st.booleans()):
        query = "&".join(f"{name}={str(value).lower()}" for name, value in options.items())
        return Call(f"{path}?{query}", _bytes(record), number)
    parameters = [{"name": "record", "resource": record}]
    for name, value in options.items():
        key = OPTIONS[name][0] if name in OPTIONS else "valueDate"
        parameters.append({"name": name, key: value})
    body = {"resourceType": "Parameters", "parameter": parameters}
    return Call(path, _bytes(body), number)


@st.composite
def others(draw: st.DrawFn) -> Call:
    """A sound call of any other operation, page or hook."""
    version, number = draw(st.sampled_from(sorted(RECORDS)))
    record, as_of = RECORDS[version, number], "as-of=2025-03-03"
    target = draw(st.sampled_from(TARGETS))
    path = draw(
        st.sampled_from(
            [
                f"/fhir/{version}/$compare-bases?target={target}&{as_of}",
                f"/fhir/{version}/$screen-switches?{as_of}",
                f"/sheet?target={target}&{as_of}" if version == "r4" else "",
                "apply",
                "hook",
            ]
        )
    )
    if path == "apply":
        return _apply(version, number, target)
    if path in ("hook", ""):
        return draw(hooks())
    return Call(path, _bytes(record), number)


def _apply(version: str, number: int, target: str) -> Call:
    options = [
        {"name": "target", "valueCode": target},
        {"name": "as-of", "valueDate": "2025-03-03"},
    ]
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subject", "valueString": f"Patient/p{number:02}{mark(number)}"},
            {"name": "data", "resource": RECORDS[version, number]},
            {
                "name": "parameters",
                "resource": {"resourceType": "Parameters", "parameter": options},
            },
        ],
    }
    return Call(f"/fhir/{version}/PlanDefinition/regimen-switch/$apply", _bytes(body), number)


@st.composite
def hooks(draw: st.DrawFn) -> Call:
    """A sound call of a hook."""
    number = draw(st.sampled_from(sorted(FILES)))
    own = f"p{number:02}"
    kind = draw(st.sampled_from(["order-sign", "order-select", "patient-view"]))
    if kind == "patient-view":
        body, number = call(SWITCHED, [], kind), 15
    else:
        draft = draw(st.sampled_from([grains(60, own), grains(120, own), levothyroxine(100, own)]))
        body = call(FILES[number], [draft], kind)
    body = marked(body, number)
    for resource in (body["prefetch"]["patient"],):
        resource["name"] = [{"family": mark(number)}]
    path = REVIEW if kind == "patient-view" else ORDER
    return Call(path, _bytes(body), number, headers=(("content-type", "application/json"),))


def _bytes(tree: Any) -> bytes:
    return json.dumps(tree).encode()


sound = st.one_of(proposals(), others())

# --- broken calls ------------------------------------------------------------------------------

LONG = 10**5
BODIES = {
    "nothing": b"",
    "no JSON": b"{",
    "no object": b"[]",
    "a hundred thousand levels": b'{"a":' * LONG + b"1" + b"}" * LONG,
    "a long list of levels": b'{"a":' + b"[" * LONG + b"]" * LONG + b"}",
    "a number of ten thousand digits": b'{"resourceType":"Bundle","x":1' + b"0" * 10_000 + b"}",
    "an exponent of twenty digits": b'{"resourceType":"Bundle","x":1E99999999999999999999}',
    "not UTF-8": b'{"resourceType":"Bundle","x":"\xff"}',
    "a lone surrogate": b'{"resourceType":"Bundle","x":"\\ud800"}',
    "a name of five thousand digits": _bytes(
        {
            "resourceType": "Bundle",
            "type": "collection",
            "entry": [
                {"resource": {"resourceType": "Patient", "id": "p"}},
                {
                    "resource": {
                        "resourceType": "MedicationRequest",
                        "status": "active",
                        "intent": "order",
                        "subject": {"reference": "Patient/p"},
                        "medicationCodeableConcept": {"text": f"thyroid {'9' * 5000} mg"},
                        "dosageInstruction": [{"text": "1 tablet daily"}],
                    }
                },
            ],
        }
    ),
    "too much": b'{"x":"' + b"y" * 300_000 + b'"}',
}
MEDIA = ["text/plain", "application/xml", "application/fhir+xml", "", "application/json; charset=x"]
ACCEPTS = ["text/html", "application/fhir+xml", "*/*;q=0", "application/fhir+json;q=nothing"]
QUERIES = [
    "?target=nothing", "?nothing=1", "?target=levothyroxine&target=levothyroxine",
    "?as-of=2025-02-30", "?as-of=0001-01-01", "?time-zone=../../etc", "?ratio=1e9", "?ratio=99999",
    "?t3-share=-1", "?order=Patient/p01", "?_format=xml", "?pace=%00", "?target=%F0%9F%92%8A",
]  # fmt: skip
PATHS = [
    "/fhir/r6/$propose-switch", "/fhir/r4/$nothing", "/fhir/r4/Patient/p01", "/nothing",
    "/fhir/r4/PlanDefinition/other/$apply", "/cds-services/nothing",
]  # fmt: skip


@st.composite
def broken(draw: st.DrawFn) -> Call:
    """A sound call of which one thing is wrong."""
    call_made = draw(sound)
    route, _, query = call_made.path.partition("?")
    ask = f"?{query}" if query else ""
    match draw(st.integers(0, 7)):
        case 0 | 1 | 2:
            return _with(call_made, body=_changed(call_made.body, draw(st.integers(0, 2**32))))
        case 3:
            return _with(call_made, body=BODIES[draw(st.sampled_from(sorted(BODIES)))], whose=0)
        case 4:
            headers = draw(st.sampled_from([*MEDIA, *ACCEPTS]))
            name = "accept" if headers in ACCEPTS else "content-type"
            kept = dict(call_made.headers) | {name: headers}
            return _with(call_made, headers=tuple(kept.items()))
        case 5:
            return _with(call_made, path=route + draw(st.sampled_from(QUERIES)))
        case 6:
            path = draw(st.sampled_from(PATHS)) + ask
            return _with(call_made, path=path)
        case _:
            return _with(call_made, body=_doubled(call_made.body))


def _with(made: Call, **changes: Any) -> Call:
    return Call(**{**vars(made), **changes})


def _changed(body: bytes, seed: int) -> bytes:
    chance = random.Random(seed)
    return written(changed(json.loads(body), chance))


def _doubled(body: bytes) -> bytes:
    """The last key of the outermost object, twice."""
    return body[:-1] + b',"resourceType":"Bundle"}'
