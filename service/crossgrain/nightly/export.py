"""The files of a bulk export: a folder of NDJSON, or the manifest that names them.

https://hl7.org/fhir/uv/bulkdata/STU2/export.html#response---complete-status
"""

import gzip
import re
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn
from urllib.parse import parse_qs, unquote, urlsplit

import msgspec

from crossgrain.names.values import frozen
from crossgrain.nightly.plan import BYTE_ORDER_MARK, InputFault, RunRefused, SourceFile
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.shapes import SHAPES

MOST_BYTES = 64 * 1024 * 1024
"""Enough for a quarter of a million files."""


@frozen
class Named:
    """One file as the manifest names it.

    Attributes
    ----------
    place : in the manifest, ``output[3]``
    section : ``output``, ``deleted`` or ``error``
    kind : the type of its resources, or empty where the manifest does not say
    name : of the file that must lie beside the manifest
    count : how many resources it holds, or ``None`` where the manifest does not say
    goes_on_in : the file in which it is said to be continued, or empty
    """

    place: str
    section: str
    kind: str
    name: str
    count: int | None
    goes_on_in: str


@frozen
class Manifest:
    """What a manifest says.

    Attributes
    ----------
    files : all that it names, in its order
    goes_on : it is a part, and another manifest holds the rest
    incremental : the export holds only what changed since a time
    """

    files: tuple[Named, ...]
    goes_on: bool
    incremental: bool


def manifest_in(path: Path) -> Manifest:
    """Read a manifest.

    Raises
    ------
    RunRefused
        naming the place of what is not as it must be.
    """
    try:
        tree = parse(path.read_bytes().removeprefix(BYTE_ORDER_MARK), most_bytes=MOST_BYTES)
    except Unreadable as wrong:
        place = wrong.expression
        said = wrong.message.replace("the body", "it")
        raise RunRefused(
            f"{path}: this is no manifest: {f'{place}: ' if place else ''}{said}"
        ) from None
    reader = _Reader(path)
    if not isinstance(tree.get("output"), list):
        reader.refuse("output", "this must be the list of its files")
    sections = ("output", "deleted", "error")
    files = tuple(file for section in sections for file in reader.files(tree, section))
    links = reader.objects(tree, "link")
    return Manifest(
        files=files,
        goes_on=any(link.get("relation") == "next" for _, link in links),
        incremental=reader.is_incremental(tree),
    )


@frozen
class _Reader:
    """Reads parts of one manifest, and refuses by their places."""

    path: Path

    def refuse(self, place: str, why: str) -> NoReturn:
        raise RunRefused(f"{self.path}: {place}: {why}")

    def objects(self, tree: dict[str, Any], section: str) -> Iterator[tuple[str, dict[str, Any]]]:
        entries = tree.get(section)
        if entries is None:
            return
        if not isinstance(entries, list):
            self.refuse(section, "this must be a list")
        for number, entry in enumerate(entries):
            place = f"{section}[{number}]"
            if not isinstance(entry, dict):
                self.refuse(place, "this must be an object")
            yield place, entry

    def files(self, tree: dict[str, Any], section: str) -> Iterator[Named]:
        for place, entry in self.objects(tree, section):
            kind, count = entry.get("type", ""), entry.get("count")
            if not isinstance(kind, str):
                self.refuse(f"{place}.type", "this must be the name of a resource type")
            if count is not None and (type(count) is not int or count < 0):
                self.refuse(f"{place}.count", "this must be a whole number, 0 or more")
            yield Named(
                place=place,
                section=section,
                kind=kind,
                name=self._file_name(entry.get("url"), f"{place}.url"),
                count=count,
                goes_on_in=self._file_name(entry["continuesInFile"], f"{place}.continuesInFile")
                if "continuesInFile" in entry
                else "",
            )

    def is_incremental(self, tree: dict[str, Any]) -> bool:
        asked = tree.get("request")
        return isinstance(asked, str) and "_since" in parse_qs(self._split(asked, "request")[1])

    def _file_name(self, url: object, place: str) -> str:
        """The file beside the manifest that an address stands for."""
        if not isinstance(url, str):
            self.refuse(place, "this must be the address of a file")
        name = Path(unquote(self._split(url, place)[0])).name
        if name in {"", ".."} or "\0" in name:
            self.refuse(place, "this address names no file")
        return name

    def _split(self, url: str, place: str) -> tuple[str, str]:
        """Path and query of an address."""
        try:
            parts = urlsplit(url)
        except ValueError:
            self.refuse(place, "this is not a well-formed address")
        return parts.path, parts.query


READ = (
    "Patient",
    "Medication",
    "MedicationStatement",
    "MedicationRequest",
    "MedicationDispense",
    "Observation",
    "Condition",
    "Goal",
    "CarePlan",
)
"""The resource types that are read; others are counted as passed over."""
TYPES = frozenset().union(*(shape.types for shape in SHAPES.values()))
"""Every resource type of the versions that are read."""
ERRORS = "OperationOutcome"
"""The type in which a server says what went wrong with an export."""
_SUFFIXES = (".ndjson", ".ndjson.gz")
_OTHER_JSON = re.compile(r"\.jsonl?(\.gz)?$", re.IGNORECASE)
"""Endings of files that may hold an export's resources too, where their name says so."""
_TYPE_IN_NAME = re.compile(r"(?:^|[._-])([A-Z][A-Za-z]+)(?=[._-]|$)")


@frozen
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
    place = place.absolute()  # other processes, perhaps elsewhere, read by the same paths
    if place.is_dir():
        manifest = place / "manifest.json"
        export = (
            _from_manifest(manifest, layer, whole_folder=True)
            if manifest.is_file()
            else _folder(place, layer)
        )
    elif place.is_file():
        export = _from_manifest(place, layer)
    else:
        raise RunRefused(f"{place}: there is no such folder or manifest")
    if not any(not file.deletes for file in export.files):
        said = "".join(f"; {fault.why}" for fault in export.faults)
        raise RunRefused(f"{place}: no NDJSON file of a type that is read{said}")
    return export


def _folder(place: Path, layer: int) -> Export:
    files: list[SourceFile] = []
    passed: list[str] = []
    faults: list[InputFault] = []
    for path in sorted(place.iterdir()):
        kinds = _kinds_named(path.name)
        like_one = _OTHER_JSON.search(path.name) and any(kind in READ for kind in kinds)
        if ".ndjson" not in path.name.lower() and not like_one:
            continue
        if ERRORS in kinds:
            faults += _reported(path, None)
        elif kinds and not any(kind in READ for kind in kinds):
            passed.append(path.name)
        elif not path.name.endswith(_SUFFIXES) or not path.is_file():
            why = "it is not read: a file must end in .ndjson or .ndjson.gz"
            faults.append(InputFault(path.name, 0, why))
        else:
            kind = kinds[0] if len(kinds) == 1 else ""
            files.append(SourceFile(path.name, path, layer, kind=kind))
    return Export(tuple(files), tuple(passed), tuple(faults))


def _kinds_named(name: str) -> list[str]:
    """The types that a file's name says it holds.

    A name that says nothing is read, for every line says what it is.
    """
    stem = re.split(r"\.ndjson", name, maxsplit=1, flags=re.IGNORECASE)[0]
    return [word for word in _TYPE_IN_NAME.findall(stem) if word in TYPES]


def _from_manifest(path: Path, layer: int, *, whole_folder: bool = False) -> Export:
    """What a manifest names; with `whole_folder`, all that lies beside it is of its export."""
    manifest = manifest_in(path)
    files: dict[str, SourceFile] = {}  # a file that is named twice is read once
    passed: list[str] = []
    faults: list[InputFault] = []
    for named in manifest.files:
        target = path.parent / named.name
        if named.section == "error" or named.kind == ERRORS:
            faults += _reported(target, named)
        elif named.section == "output" and named.kind and named.kind not in READ:
            passed.append(named.name)
        elif target.is_file():
            deletes = named.section == "deleted"
            kind = "" if deletes else named.kind
            file = SourceFile(named.name, target, layer, deletes, kind, named.count)
            files.setdefault(named.name, file)
        else:
            faults.append(InputFault(path.name, 0, f"{named.place}: its file is not beside it"))
    faults += [InputFault(path.name, 0, why) for why in _contradictions(manifest.files)]
    if manifest.goes_on:
        faults.append(InputFault(path.name, 0, "link: it is a part, the rest is in another"))
    if whole_folder:
        faults += _unnamed(path, {named.name for named in manifest.files})
    return Export(
        files=tuple(sorted(files.values(), key=lambda file: (file.deletes, file.name))),
        passed_over=tuple(sorted(passed)),
        faults=tuple(faults),
        incremental=manifest.incremental,
    )


def _contradictions(files: tuple[Named, ...]) -> Iterator[str]:
    """Where what a manifest names cannot all be there."""
    times = Counter(named.name for named in files)
    for named in files:
        if times[named.name] > 1:
            yield f"{named.place}: another entry has a file of the same name"
        if named.goes_on_in and named.goes_on_in not in times:
            yield f"{named.place}: the file in which it goes on is not named"


def _unnamed(manifest: Path, named: set[str]) -> Iterator[InputFault]:
    found = _folder(manifest.parent, 1)
    for name in sorted({*(f.name for f in found.files), *(f.file for f in found.faults)} - named):
        yield InputFault(name, 0, "it lies beside the manifest, which does not name it")


def _reported(path: Path, named: Named | None) -> list[InputFault]:
    """That the server reports errors, unless all that the report holds is information."""
    if _is_information(path, named):
        return []
    place = f"{named.place}: " if named else ""
    return [InputFault(path.name, 0, f"{place}the server reports errors in it")]


def _is_information(path: Path, named: Named | None) -> bool:
    opened = gzip.open if path.name.endswith(".gz") else open
    count = 0
    try:
        with opened(path, "rb") as lines:
            for line in filter(bytes.strip, lines):
                count += 1
                if not all(
                    i["severity"] == "information" for i in msgspec.json.decode(line)["issue"]
                ):
                    return False
    except (OSError, EOFError, zlib.error, ValueError, RecursionError, KeyError, TypeError):
        return False
    wanted = named.count if named else None
    return count == wanted if wanted is not None else count > 0
