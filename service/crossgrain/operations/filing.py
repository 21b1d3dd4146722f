"""An answer as a transaction that never points at nothing.

References among its own entries are URNs, which the server replaces. What the record itself names
by a URN, or by no more than its place, no server knows: such a reference becomes a search for the
business identifier of what it names (a conditional reference: FHIR R4 and R5, http.html#trules),
which the server resolves, or it refuses the whole. Where there is no such identifier, the call is
refused.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field
from typing import Any
from urllib.parse import quote

from crossgrain.names.identity import RESOURCE_SYSTEM
from crossgrain.names.values import frozen
from crossgrain.operations.faults import Complaint, Fault, RequestRefused
from crossgrain.operations.parameters import Call
from crossgrain.reading.filed import Filed
from crossgrain.reading.given_plan import resources_of
from crossgrain.reading.resolve import BundleIndex, Entry, is_urn, without_version
from crossgrain.writing.forms import as_transaction
from crossgrain.writing.going_on import ChangedAct

Resource = dict[str, Any]
_SEPARATORS = frozenset("|,$\\")
"""Of FHIR's search: an identifier that holds one cannot be told apart from two."""


def to_be_filed(bundle: Resource, call: Call, changed: Iterable[ChangedAct] = ()) -> Resource:
    """The answer to a call as a transaction; `changed` is what of it a server holds already.

    Raises
    ------
    RequestRefused
        with a complaint for everything that it cites and that a server could not find: 422.
    """
    cited = _Cited(
        own=frozenset(entry["fullUrl"] for entry in bundle["entry"]),
        record={entry.reference: entry for entry in BundleIndex(call.record, call.root).entries},
    )
    entries = [
        {**entry, "resource": cited.in_place(entry["resource"])} for entry in bundle["entry"]
    ]
    updates = {each.full_url: cited.update_of(each.act) for each in changed}
    if cited.lost:
        of_plan = frozenset(_names_in(call.plan, call.plan_root)) if call.plan else frozenset()
        raise RequestRefused(
            *(_complaint(name, entry, call, of_plan) for name, entry in cited.lost.items())
        )
    return as_transaction({**bundle, "entry": entries}, updates)


@frozen
class _Cited:
    """What an answer refers to: its own entries, and the record by the references in it.

    `lost` is what a server could not find, with what the record holds of it.
    """

    own: frozenset[str]
    record: Mapping[str, Entry]
    lost: dict[str, Entry | None] = field(default_factory=dict)

    def in_place(self, node: Any) -> Any:
        """A part of the answer with every reference as a server can follow it."""
        if isinstance(node, dict):
            return {
                key: self._found(value)
                if key == "reference" and isinstance(value, str)
                else self.in_place(value)
                for key, value in node.items()
            }
        return [self.in_place(each) for each in node] if isinstance(node, list) else node

    def update_of(self, act: Filed) -> Resource:
        """The request that puts a filed act in its own place.

        By its id on the server, with the version that was read, so that nobody else's change is
        lost; what the input names otherwise by a search (a conditional update).
        """
        if _ON_THE_SERVER.fullmatch(act.reference) and not act.given:
            return {"method": "PUT", "url": act.reference, **_unless_changed(act.resource)}
        entry = self.record.get(act.reference)
        search = f"Task?identifier={RESOURCE_SYSTEM}|{act.name}" if act.name else None
        if search is None and entry is not None:
            search = next(_searches(entry), None)
        if search is None:
            self.lost[act.reference] = entry
        return {"method": "PUT", "url": search or act.reference}

    def _found(self, reference: str) -> str:
        if reference in self.own or not self._is_of_the_input_alone(reference):
            return reference
        entry = self.record.get(without_version(reference))
        search = next(_searches(entry), None) if entry else None
        if search is None:
            self.lost[reference] = entry
        return search or reference

    def _is_of_the_input_alone(self, reference: str) -> bool:
        """A URN, or the place of a resource without a name."""
        return is_urn(reference) or (reference in self.record and "/" not in reference)


def _complaint(
    reference: str, entry: Entry | None, call: Call, of_plan: frozenset[str]
) -> Complaint:
    """`of_plan` are the references in a plan that came with the record, and to its resources."""
    if entry is None:
        what, root = ("plan", call.plan_root) if reference in of_plan else ("record", call.root)
        words = f"the {what} refers to {reference}, which the record does not hold"
        return Complaint(Fault.OPTIONS_DISAGREE, root, f"{words}: {_WHAT_TO_DO}")
    words = "the answer would point at this, which has no address that a server knows"
    return Complaint(Fault.OPTIONS_DISAGREE, entry.path, f"{words}: {_WHAT_TO_DO}")


def _names_in(plan: Resource, root: str) -> Iterator[str]:
    """How a plan names its resources, and what they refer to."""
    for entry in resources_of(plan, root):
        yield entry.reference
        yield from _references(entry.resource)


def _references(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        reference = node.get("reference")
        if isinstance(reference, str):
            yield reference
    for each in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        yield from _references(each)


_WHAT_TO_DO = (
    "give it the address that it has on the server, or an identifier with system and value, or ask"
    " for a collection"
)


_ON_THE_SERVER = re.compile(r"Task/[A-Za-z0-9.-]{1,64}")
_VERSION = re.compile(r"[A-Za-z0-9.-]{1,64}")


def _unless_changed(resource: Mapping[str, Any]) -> dict[str, str]:
    meta = resource.get("meta")
    version = meta.get("versionId") if isinstance(meta, dict) else None
    known = isinstance(version, str) and _VERSION.fullmatch(version)
    return {"ifMatch": f'W/"{version}"'} if known else {}


def _searches(entry: Entry) -> Iterator[str]:
    """The searches that find a resource by what it is known by, the first the best."""
    identifiers = entry.resource.get("identifier")
    for each in identifiers if isinstance(identifiers, list) else ():
        system, value = (
            (each.get("system"), each.get("value")) if isinstance(each, dict) else ("", "")
        )
        if not (isinstance(system, str) and isinstance(value, str) and system and value):
            continue
        if each.get("use") == "old" or _SEPARATORS & {*system, *value}:
            continue
        token = f"{quote(system, safe=':/.-_~')}|{quote(value, safe=':/.-_~')}"
        yield f"{entry.kind}?identifier={token}"
