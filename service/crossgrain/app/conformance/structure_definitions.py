"""The StructureDefinition of our one extension, from the table that it is written by."""

from collections.abc import Iterable, Iterator

from crossgrain.app.conformance.heads import Resource, head
from crossgrain.names.identity import FhirVersion
from crossgrain.names.series_extension import CONTEXTS, PARTS, SERIES_ID, SERIES_URL, ExtensionPart
from crossgrain.writing.narrative import table

_BASE = "http://hl7.org/fhir/StructureDefinition/Extension"
_SAYS = (
    "What an order of a proposed series, or its care plan, is part of: its plan, its step, what"
    " it orders, and the facts from which the plan's checkpoint can be computed again. It holds"
    " nothing of the patient but the doses. An order is a step of the plan only while what it"
    " orders is what it says here."
)


def series_extension(version: FhirVersion) -> Resource:
    """The extension of every order of a series and of its care plan."""
    body = head("StructureDefinition", SERIES_ID, "Switch series", _SAYS, _table())
    body["fhirVersion"] = version.number
    body["kind"] = "complex-type"
    body["abstract"] = False
    body["context"] = [{"type": "element", "expression": context} for context in CONTEXTS]
    body["type"] = "Extension"
    body["baseDefinition"] = _BASE
    body["derivation"] = "constraint"
    body["differential"] = {"element": [*_root(), *_parts("Extension", "Extension", PARTS)]}
    return body


def _root() -> Iterator[Resource]:
    yield {
        "id": "Extension",
        "path": "Extension",
        "short": "Which plan and step this is, and what it was planned from",
        "definition": _SAYS,
        "min": 0,
        "max": "1",
    }


def _parts(
    own_id: str, path: str, parts: Iterable[ExtensionPart], url: str = SERIES_URL
) -> Iterator[Resource]:
    """What an extension without a value of its own holds: its parts, its url, no value."""
    inner_id, inner_path = f"{own_id}.extension", f"{path}.extension"
    yield {
        "id": inner_id,
        "path": inner_path,
        "slicing": {
            "discriminator": [{"type": "value", "path": "url"}],
            "ordered": False,
            "rules": "closed",
        },
    }
    for part in parts:
        sliced = f"{inner_id}:{part.name}"
        yield {
            "id": sliced,
            "path": inner_path,
            "sliceName": part.name,
            "short": part.meaning,
            "min": part.minimum,
            "max": part.maximum,
        }
        if part.parts:
            yield from _parts(sliced, inner_path, part.parts, part.name)
        else:
            yield from _valued(sliced, inner_path, part)
    yield _url(own_id, path, url)
    yield {"id": f"{own_id}.value[x]", "path": f"{path}.value[x]", "max": "0"}


def _valued(own_id: str, path: str, part: ExtensionPart) -> Iterator[Resource]:
    yield {"id": f"{own_id}.extension", "path": f"{path}.extension", "max": "0"}
    yield _url(own_id, path, part.name)
    yield {
        "id": f"{own_id}.value[x]",
        "path": f"{path}.value[x]",
        "min": 1,
        "type": [{"code": part.type}],
    }


def _url(own_id: str, path: str, url: str) -> Resource:
    return {"id": f"{own_id}.url", "path": f"{path}.url", "fixedUri": url}


def _table() -> str:
    return table(("Part", "Times", "Type", "Meaning"), _rows(PARTS))


def _rows(parts: Iterable[ExtensionPart], within: str = "") -> Iterator[tuple[str, ...]]:
    for part in parts:
        times = f"{part.minimum}..{part.maximum}"
        yield f"{within}{part.name}", times, part.type or "parts", part.meaning
        yield from _rows(part.parts, f"{part.name} / ")
