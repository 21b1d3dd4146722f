"""An answer as a transaction that a server can file, once however often it is sent."""

from typing import Any

from crossgrain.names.identity import RESOURCE_SYSTEM
from crossgrain.writing.letterhead import Resource


def as_transaction(bundle: dict[str, Any]) -> dict[str, Any]:
    """The same entries, each to be created unless a resource of its name is there.

    References inside the Bundle are URNs, which the server replaces. A patient or an order
    that the input itself named by URN has to be known to the server under that URN.
    """
    return {**bundle, "type": "transaction", "entry": [_entry(e) for e in bundle["entry"]]}


def _entry(entry: dict[str, Any]) -> dict[str, Any]:
    resource: Resource = entry["resource"]
    if "identifier" in resource:
        unless = f"identifier={RESOURCE_SYSTEM}|{resource['id']}"
    else:  # Provenance has no identifier; a tag is kept and searched just the same
        tag = {"system": RESOURCE_SYSTEM, "code": resource["id"]}
        resource = {**resource, "meta": {"tag": [tag]}}
        unless = f"_tag={RESOURCE_SYSTEM}|{resource['id']}"
    request = {"method": "POST", "url": resource["resourceType"], "ifNoneExist": unless}
    return {**entry, "resource": resource, "request": request}
