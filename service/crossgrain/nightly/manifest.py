"""The manifest of a bulk export, checked place by place before anything is read by it.

https://hl7.org/fhir/uv/bulkdata/STU2/export.html#response---complete-status
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn
from urllib.parse import parse_qs, unquote, urlsplit

from crossgrain.nightly.chunks import BYTE_ORDER_MARK
from crossgrain.nightly.options import RunRefused
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.json import parse

MOST_BYTES = 64 * 1024 * 1024
"""Enough for a quarter of a million files."""


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
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
        place = wrong.expression.partition(".")[2]
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


@dataclass(frozen=True, slots=True)
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
