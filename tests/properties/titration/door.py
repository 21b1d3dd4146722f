"""One call through the operation, in process: a record and its options in, the answer out.

The only module here that knows the service, and it knows no more than its public operation.
"""

import json
from datetime import UTC, datetime
from decimal import Decimal
from functools import cache
from typing import Any

import orjson

from crossgrain.catalogue import load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import Desk, desk_over
from crossgrain.operations.faults import RequestRefused
from crossgrain.operations.propose_switch import propose_switch

Json = dict[str, Any]


@cache
def _desk() -> Desk:
    return desk_over(load_catalogue(), lambda: datetime(2025, 3, 3, 12, tzinfo=UTC))


def ask(version: str, call: Json) -> Json | None:
    """The answer to a call, or nothing where the operation refuses it by a declared error."""
    body = json.loads(json.dumps(call), parse_float=Decimal)
    try:
        answer = propose_switch(_desk(), body, (), FhirVersion(version))
    except RequestRefused:
        return None
    read: Json = orjson.loads(orjson.dumps(answer, default=float))
    return read
