"""What every conformance resource begins with."""

from typing import Any

from crossgrain import __version__
from crossgrain.names.identity import SERVICE_NAME, canonical
from crossgrain.writing.narrative import narrative, paragraph

Resource = dict[str, Any]

PUBLISHED = "2026-11-25"
"""The day of the last change to what these resources say; `date` must be given."""


def head(resource_type: str, own_id: str, title: str, description: str, *more: str) -> Resource:
    """Identity, version, status and a narrative; `more` are further blocks of XHTML."""
    return {
        "resourceType": resource_type,
        "id": own_id,
        "text": narrative(paragraph(title), paragraph(description), *more),
        "url": canonical(resource_type, own_id),
        "version": __version__,
        "name": name_of(own_id),
        "title": title,
        "status": "active",
        "experimental": False,
        "date": PUBLISHED,
        "publisher": SERVICE_NAME,
        "description": description,
    }


def name_of(own_id: str) -> str:
    """The machine's name of a definition.

    >>> name_of("propose-switch")
    'ProposeSwitch'
    """
    return "".join(word.capitalize() for word in own_id.split("-"))
