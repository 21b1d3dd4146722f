"""From a resource tree to JSON bytes, decimals exact."""

from collections.abc import Mapping
from typing import Any

import msgspec

_ENCODER = msgspec.json.Encoder(decimal_format="number")


def to_json(resource: Mapping[str, Any], pretty: bool = False) -> bytes:
    """Encode a resource; a `Decimal` keeps every digit it was given.

    >>> from decimal import Decimal
    >>> to_json({"value": Decimal("1.50")})
    b'{"value":1.50}'
    """
    encoded = _ENCODER.encode(resource)
    return msgspec.json.format(encoded, indent=2) if pretty else encoded
