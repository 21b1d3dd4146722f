"""Filed acts of a plan, as they stand from now on: the record's own resources with another status.

They keep their identity and all that the record says of them, so that a server that files the
answer changes the act that it holds, and creates no second.
"""

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.resolve import is_urn
from crossgrain.writing.elements import narrative, paragraphs, plain
from crossgrain.writing.going_on import ChangedAct
from crossgrain.writing.letterhead import Letterhead

Resource = dict[str, Any]


def changed_acts(letter: Letterhead, version: FhirVersion) -> Iterator[Resource]:
    """The entries of an answer's Bundle for the filed acts that it changes."""
    for changed in letter.going_on.acts if letter.going_on else ():
        resource = changed_act(changed, version)
        resource["text"] = narrative(paragraphs([changed.says]), paragraphs(letter.every_order))
        yield {"fullUrl": changed.full_url, "resource": resource}


def changed_act(changed: ChangedAct, version: FhirVersion) -> Resource:
    """The act with its new status and why, without the narrative, which tells the old one."""
    reason: Resource = {"text": plain(changed.says)}
    if version is FhirVersion.R5:
        reason = {"concept": reason}
    kept = {key: deepcopy(value) for key, value in changed.act.resource.items() if key != "text"}
    return {**kept, "status": changed.status, "statusReason": reason}


def named_in_answer(changed: ChangedAct) -> str:
    """How other resources of the answer refer to it."""
    own = changed.full_url
    return own if is_urn(own) else changed.act.reference
