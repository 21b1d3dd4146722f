"""The signature of a token, and its claims of time. No key comes from the token itself.

Whatever is wrong, the caller learns only that it is not known: `NotKnown` carries no reason.
"""

import binascii
import json
import math
from base64 import urlsafe_b64decode
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, Key, OKPKey, RSAKey

LONGEST_TOKEN = 8 * 1024
_SMALLEST_RSA = 2048
_CURVES = {"ES256": "P-256", "ES384": "P-384", "ES512": "P-521"}
_RSA = {"RS256", "RS384", "RS512", "PS256", "PS384", "PS512"}
_EDWARDS = {"EdDSA", "Ed25519"}
ALGORITHMS = frozenset({*_CURVES, *_RSA, *_EDWARDS})
"""Asymmetric signatures alone: neither ``none`` nor a shared secret can name a caller."""
_FORBIDDEN_HEADERS = {"crit", "b64", "jwk", "x5c", "x5u"}


class NotKnown(Exception):
    """The caller is not known."""


@dataclass(frozen=True, slots=True)
class Header:
    """What the header of a token says; nothing of it is trusted yet."""

    algorithm: str
    key_id: str
    type: str
    key_set_url: str | None


def read_header(token: str) -> Header:
    """The header, refused where it asks for anything but a plain signature."""
    parts = token.split(".")
    if len(token) > LONGEST_TOKEN or len(parts) != 3:
        raise NotKnown
    header = _part(parts[0])
    algorithm, key_id, kind = (header.get(name) for name in ("alg", "kid", "typ"))
    if not isinstance(algorithm, str) or algorithm not in ALGORITHMS:
        raise NotKnown
    if not isinstance(key_id, str) or not key_id:
        raise NotKnown
    if _FORBIDDEN_HEADERS & set(header) or not isinstance(kind, str | None):
        raise NotKnown
    url = header.get("jku")
    if not isinstance(url, str | None):
        raise NotKnown
    return Header(algorithm, key_id, kind or "", url)


def _part(encoded: str) -> dict[str, Any]:
    try:
        decoded = json.loads(urlsafe_b64decode(encoded + "=" * (-len(encoded) % 4)))
    except (binascii.Error, ValueError, RecursionError):
        raise NotKnown from None
    if not isinstance(decoded, dict):
        raise NotKnown
    return decoded


def unverified_issuer(token: str) -> str:
    """Whose keys are to be looked up; the signature then shows whether that is true."""
    issuer = _part(token.split(".")[1]).get("iss")
    if not isinstance(issuer, str):
        raise NotKnown
    return issuer


def verified_claims(token: str, header: Header, key: Key) -> Mapping[str, Any]:
    """The claims of a token that this very key signed by the algorithm that it is for."""
    if not fits(key, header.algorithm):
        raise NotKnown
    try:
        return jwt.decode(token, key, algorithms=[header.algorithm]).claims
    except (JoseError, ValueError, TypeError, RecursionError):
        raise NotKnown from None


def fits(key: Key, algorithm: str) -> bool:
    """Whether a key may be used with an algorithm: its kind, its curve, its size, its purpose."""
    said = key.as_dict(private=False)
    if said.get("use", "sig") != "sig" or said.get("alg", algorithm) != algorithm:
        return False
    if isinstance(key, RSAKey):
        return algorithm in _RSA and key.raw_value.key_size >= _SMALLEST_RSA
    if isinstance(key, ECKey):
        return algorithm in _CURVES and said.get("crv") == _CURVES[algorithm]
    return isinstance(key, OKPKey) and algorithm in _EDWARDS and said.get("crv") == "Ed25519"


def moment(claims: Mapping[str, Any], name: str) -> float | None:
    """A claim of time, or ``None`` where it is not there."""
    value = claims.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise NotKnown
    try:
        seconds = float(value)
    except OverflowError:  # an integer of hundreds of digits
        raise NotKnown from None
    if not math.isfinite(seconds):
        raise NotKnown
    return seconds


def check_times(claims: Mapping[str, Any], now: float, leeway: int) -> float:
    """Refuse a token that is over, or not yet valid, or has no end; gives when it ends."""
    ends = check_times_said(claims, now, leeway)
    if ends is None:
        raise NotKnown
    return ends


def check_times_said(claims: Mapping[str, Any], now: float, leeway: int) -> float | None:
    """Refuse what says that it is over, or not yet valid; gives when it ends, if it says so."""
    ends, begins, issued = (moment(claims, name) for name in ("exp", "nbf", "iat"))
    if ends is not None and ends + leeway <= now:
        raise NotKnown
    if (begins is not None and begins - leeway > now) or (
        issued is not None and issued - leeway > now
    ):
        raise NotKnown
    return ends
