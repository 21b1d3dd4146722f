"""What an example of the OpenAPI document is, and the day on which all of them are made."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

Resource = dict[str, Any]
STOPPED = datetime(2025, 3, 3, 12, tzinfo=UTC)
AS_OF = STOPPED.date().isoformat()


@dataclass(frozen=True, slots=True)
class Shown:
    """One call and its answer; the summary ends in the query that stood beside the body.

    `media_type` is the answer's, where it is not the first that the route is documented with.
    """

    name: str
    summary: str
    request: Resource | None
    response: Resource | str | None
    media_type: str | None = None
