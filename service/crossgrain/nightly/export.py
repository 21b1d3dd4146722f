"""The files of a bulk export: a folder of NDJSON, or the manifest that names them.

https://hl7.org/fhir/uv/bulkdata/STU2/export.html#response---complete-status
"""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

import msgspec

from crossgrain.nightly.faults import InputFault, RunRefused

READ = (
    "Patient",
    "Medication",
    "MedicationStatement",
    "MedicationRequest",
    "MedicationDispense",
    "Observation",
    "Condition",
    "Goal",
)
"""The resource types that are read; others are counted as passed over."""
_SUFFIXES = (".ndjson", ".ndjson.gz")
_TYPE_IN_NAME = re.compile(r"(?:^|[._-])([A-Z][A-Za-z]+)(?=[._-]|$)")


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One file of an export.

    Attributes
    ----------
    name : as reports name it, relative to its export
    path : where it lies
    layer : 0 for a base snapshot, 1 for the export itself
    deletes : it lists what was deleted, as Bundles of DELETE entries
    """

    name: str
    path: Path
    layer: int = 1
    deletes: bool = False

    @property
    def zipped(self) -> bool:
        """Whether it is compressed."""
        return self.name.endswith(".gz")


@dataclass(frozen=True, slots=True)
class Export:
    """What an export holds, as its folder or its manifest says.

    Attributes
    ----------
    files : the files that are read, in the order of their names
    passed_over : names of files of types that are not read
    faults : what the manifest itself says went wrong, and files that are not there
    incremental : it holds only what changed since a time
    """

    files: tuple[SourceFile, ...]
    passed_over: tuple[str, ...] = ()
    faults: tuple[InputFault, ...] = ()
    incremental: bool = False


def open_export(place: Path, layer: int = 1) -> Export:
    """Find the files of an export.

    Raises
    ------
    RunRefused
        where there is no such place, or nothing in it that can be read.
    """
    if place.is_dir():
        manifest = place / "manifest.json"
        export = _from_manifest(manifest, layer) if manifest.is_file() else _folder(place, layer)
    elif place.is_file():
        export = _from_manifest(place, layer)
    else:
        raise RunRefused(f"{place}: there is no such folder or manifest")
    if not any(not file.deletes for file in export.files):
        said = "".join(f"; {fault.why}" for fault in export.faults)
        raise RunRefused(f"{place}: no NDJSON file of a type that is read{said}")
    return export


def _folder(place: Path, layer: int) -> Export:
    files, passed = [], []
    for path in sorted(place.iterdir()):
        if path.name.endswith(_SUFFIXES):
            if _passed_over(path.name):
                passed.append(path.name)
            else:
                files.append(SourceFile(path.name, path, layer))
    return Export(tuple(files), tuple(passed))


def _passed_over(name: str) -> bool:
    """Whether a file's name says that it holds a type that is not read.

    A name that says nothing is read, for every line says what it is.
    """
    types = _TYPE_IN_NAME.findall(name.partition(".ndjson")[0])
    return bool(types) and not any(kind in READ for kind in types)


def _from_manifest(path: Path, layer: int) -> Export:
    manifest = _manifest(path)
    files, faults, passed = [], [], []
    for section, deletes in (("output", False), ("deleted", True)):
        for place, kind, url in _listed(manifest, section):
            if not deletes and kind not in READ:
                passed.append(_file_name(url))
                continue
            target = path.parent / _file_name(url)
            if target.is_file():
                files.append(SourceFile(target.name, target, layer, deletes))
            else:
                faults.append(InputFault(path.name, 0, f"{place}: its file is not beside it"))
    for place, _, url in _listed(manifest, "error"):
        said = f"{place}: the server reports errors in {_file_name(url)}"
        faults.append(InputFault(path.name, 0, said))
    return Export(
        files=tuple(sorted(files, key=lambda file: (file.deletes, file.name))),
        passed_over=tuple(sorted(passed)),
        faults=tuple(faults),
        incremental=_is_incremental(manifest),
    )


def _manifest(path: Path) -> dict[str, Any]:
    try:
        manifest = msgspec.json.decode(path.read_bytes())
    except (OSError, msgspec.DecodeError):
        raise RunRefused(f"{path}: this is no manifest: it is not JSON") from None
    if not isinstance(manifest, dict) or not isinstance(manifest.get("output"), list):
        raise RunRefused(f"{path}: this is no manifest: it has no list of outputs")
    return manifest


def _listed(manifest: dict[str, Any], section: str) -> list[tuple[str, str, str]]:
    found = []
    entries = manifest.get(section, [])
    for number, entry in enumerate(entries if isinstance(entries, list) else []):
        place = f"{section}[{number}]"
        url = entry.get("url") if isinstance(entry, dict) else None
        if not isinstance(url, str):
            raise RunRefused(f"the manifest's {place} has no url")
        found.append((place, str(entry.get("type", "")), url))
    return found


def _file_name(url: str) -> str:
    """The file beside the manifest that an address stands for."""
    return Path(unquote(urlsplit(url).path)).name


def _is_incremental(manifest: dict[str, Any]) -> bool:
    asked = manifest.get("request")
    return isinstance(asked, str) and "_since" in parse_qs(urlsplit(asked).query)
