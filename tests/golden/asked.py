"""What is asked over HTTP: every invented patient, in every direction, on every surface."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any
from urllib.parse import urlencode

from tests.api.calls import AS_OF, FHIR, FIXTURES, PATIENTS, SCENARIO, VISITS
from tests.api.hooks import ORDER, REVIEW, call, grains, levothyroxine, liothyronine
from tests.conformance.r5_records import as_r5

TARGETS = (
    "levothyroxine", "liothyronine", "desiccated-thyroid", "levothyroxine-liothyronine",
    "desiccated-thyroid-liothyronine",
)  # fmt: skip
PRIOR_THERAPIES = ("overlap", "stop")
PACES = ("standard", "brisk", "cautious")
VERSIONS = ("r4", "r5")
APPLY = "PlanDefinition/regimen-switch/$apply"
WEBSITE = {"accept": "text/html", **FHIR}
DATES = {"accept": "text/calendar", **FHIR}
VARIED: tuple[dict[str, str], ...] = (
    {"basis": "label"}, {"basis": "trial"}, {"basis": "content"}, {"start": "2025-03-17"},
    {"as-of": "2025-05-26"}, {"ratio": "13"}, {"ratio": "20"}, {"guideline": "true"},
    {"t3-share": "0.1"}, {"t3-share": "0.4"}, {"desiccated-family": "desiccated-thyroid-65"},
    {"response": "transaction"}, {"sheet": "true"}, {"validate": "true"}, {"pace": "slow"},
    {"another-product": "true"}, {"weekly-pattern": "true"}, {"lt3-doses": "3"},
    {"desiccated-family": "desiccated-thyroid-60"}, {"detail": "brief"},
)  # fmt: skip
"""Options beside those of every direction, one at a time; some are refused."""


@dataclass(frozen=True, slots=True)
class Call:
    """One call. The surface says in which file its digest stands."""

    surface: str
    name: str
    path: str
    headers: dict[str, str]
    body: bytes | None = None

    @property
    def method(self) -> str:
        """POST where there is something to send."""
        return "GET" if self.body is None else "POST"


def calls() -> Iterator[Call]:
    """All of them but the reads of definitions, which the service lists itself."""
    records = {
        patient["file"][:2]: (patient.get("target"), _records(patient["file"]))
        for patient in SCENARIO["patient"]
    }
    for patient, (target, bodies) in records.items():
        for version in VERSIONS:
            yield from _answers(patient, version, bodies[version])
            yield from _varied(patient, version, bodies[version], target)
            yield from _looked_at(patient, version, bodies[version])
        yield from _sheets(patient, bodies["r4"])
    for patient in SCENARIO["patient"]:
        yield from _hooks(patient["file"])
    for visit in VISITS:
        yield from _next_steps(visit)
    yield from _whole()


def _records(file: str) -> dict[str, bytes]:
    record = (PATIENTS / file).read_bytes()
    return {"r4": record, "r5": json.dumps(as_r5(json.loads(record))).encode()}


def _query(path: str, **options: str) -> str:
    spelt = {name.replace("_", "-"): value for name, value in options.items()}
    return f"{path}?{urlencode({'as-of': AS_OF} | spelt)}"


def _directions() -> Iterator[tuple[str, dict[str, str]]]:
    for target, prior, pace in product(TARGETS, PRIOR_THERAPIES, PACES):
        asked = {"target": target, "prior-therapy": prior, "pace": pace}
        yield f"{target} {prior} {pace}", asked


def _answers(patient: str, version: str, body: bytes) -> Iterator[Call]:
    for name, asked in _directions():
        path = _query(f"/fhir/{version}/$propose-switch", **asked)
        yield Call(f"answers-{version}", f"{patient} {name}", path, FHIR, body)


def _varied(patient: str, version: str, body: bytes, target: str | None) -> Iterator[Call]:
    """As the scenario asks, with one option more, and by FHIR's own operation."""
    wish = {"target": target} if target else {}
    for more in ({}, *VARIED):
        said = " ".join(f"{name}={value}" for name, value in more.items()) or "as asked"
        path = _query(f"/fhir/{version}/$propose-switch", **wish, **more)
        yield Call("options", f"{patient} {version} {said}", path, FHIR, body)
    applied = json.dumps(_applied(json.loads(body), wish)).encode()
    yield Call("options", f"{patient} {version} $apply", f"/fhir/{version}/{APPLY}", FHIR, applied)


def _applied(record: dict[str, Any], wish: dict[str, str]) -> dict[str, Any]:
    options = [{"name": "as-of", "valueDate": AS_OF}]
    options += [{"name": name, "valueCode": code} for name, code in wish.items()]
    found = next(
        e["resource"] for e in record["entry"] if e["resource"]["resourceType"] == "Patient"
    )
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subject", "valueString": f"Patient/{found['id']}"},
            {"name": "data", "resource": record},
            {
                "name": "parameters",
                "resource": {"resourceType": "Parameters", "parameter": options},
            },
        ],
    }


def _looked_at(patient: str, version: str, body: bytes) -> Iterator[Call]:
    for target in TARGETS:
        path = _query(f"/fhir/{version}/$compare-bases", target=target)
        yield Call("comparisons", f"{patient} {version} {target}", path, FHIR, body)
    for day in (AS_OF, "2024-09-02"):
        path = _query(f"/fhir/{version}/$screen-switches", as_of=day)
        yield Call("screenings", f"{patient} {version} {day}", path, FHIR, body)


def _next_steps(visit: dict[str, Any]) -> Iterator[Call]:
    """A visit in both versions: to read, to file, in brief."""
    record = (FIXTURES / "visits" / f"{visit['name']}.json").read_bytes()
    bodies = {"r4": record, "r5": json.dumps(as_r5(json.loads(record))).encode()}
    asked = [("as-of", visit["as_of"]), *(("stock", each) for each in visit.get("stock", ()))]
    for version in VERSIONS:
        for form in (("response", "collection"), ("response", "transaction"), ("detail", "brief")):
            path = f"/fhir/{version}/$next-step?{urlencode([*asked, form])}"
            name = f"{visit['name']} {version} {form[1]}"
            yield Call("next-steps", name, path, FHIR, bodies[version])
    path = f"/sheet/next-step?{urlencode(asked)}"
    yield Call("sheets", f"visit {visit['name']}", path, WEBSITE, bodies["r4"])
    yield Call("calendars", f"visit {visit['name']}", path, DATES, bodies["r4"])


def _sheets(patient: str, body: bytes) -> Iterator[Call]:
    for name, asked in _directions():
        path = _query("/sheet", **asked)
        yield Call("sheets", f"{patient} {name}", path, WEBSITE, body)
        yield Call("calendars", f"{patient} {name}", path, DATES, body)


def _hooks(file: str) -> Iterator[Call]:
    patient = f"p{file[:2]}"
    singles = {
        **{f"desiccated {mg} mg": grains(mg, patient) for mg in (30, 60, 90, 120, 180)},
        **{f"LT4 {ug} µg": levothyroxine(ug, patient) for ug in (25, 50, 75, 100, 150, 200)},
        **{f"LT3 {ug} µg": liothyronine(ug, patient) for ug in (5, 25, 50)},
    }
    drafts = {name: [order] for name, order in singles.items()}
    drafts["LT4 75 µg and LT3 5 µg"] = [
        levothyroxine(75, patient), liothyronine(5, patient, own_id="rx-2"),
    ]  # fmt: skip
    drafts["LT4 100 µg and desiccated 60 mg"] = [
        levothyroxine(100, patient), grains(60, patient, own_id="rx-2"),
    ]  # fmt: skip
    for name, orders in drafts.items():
        for hook in ("order-sign", "order-select"):
            yield _hook(f"{file[:2]} {hook} {name}", ORDER, call(file, orders, hook))
    yield _hook(f"{file[:2]} patient-view", REVIEW, call(file, [], "patient-view"))


def _hook(name: str, path: str, body: dict[str, Any]) -> Call:
    return Call(
        "hooks", name, path, {"content-type": "application/json"}, json.dumps(body).encode()
    )


def _whole() -> Iterator[Call]:
    """The whole requests of the fixtures, where they go as the README sends them."""
    places = {
        "apply": f"/fhir/r4/{APPLY}",
        "propose-switch": "/fhir/r4/$propose-switch",
        "order-select": ORDER,
        "order-sign": ORDER,
        "patient-view": REVIEW,
        "feedback": f"{ORDER}/feedback",
    }
    for file in sorted((FIXTURES / "calls").glob("*.json")):
        path = places[file.stem]
        kind = FHIR if path.startswith("/fhir") else {"content-type": "application/json"}
        yield Call("options", f"call {file.stem}", path, kind, file.read_bytes())


def definitions(openapi: dict[str, Any]) -> Iterator[Call]:
    """A read of everything that the service's own OpenAPI document lists for reading."""
    for path, methods in openapi["paths"].items():
        if "get" not in methods or path in {"/metrics", "/livez"} or path.endswith(".tgz"):
            continue  # of a package the content is compared: zlib settles the bytes
        asked = [p for p in methods["get"].get("parameters", []) if p["in"] == "path"]
        for own_id in asked[0]["schema"]["enum"] if asked else [""]:
            place = path.replace("{id}", own_id)
            yield Call("definitions", place, place, {})
    for place in ("/", "/examples/nobody.json", "/fhir/r4/CodeSystem/nothing", "/nowhere"):
        yield Call("definitions", place, place, {})
