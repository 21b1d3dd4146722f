"""A token's signature and time claims, and the issuer's public keys they are checked with.

Whatever is wrong, the caller learns only that it is not known. The reason is for the log, one of a
few words that hold nothing of the token.

A key id that is not known makes the set be read anew, but not more often than every few seconds,
so that made-up key ids cannot turn the service against the issuer. Where the source cannot be
reached, or gives what is no key set, the last set that was read still serves, for a day; while it
is slow, callers whose key is known wait for it only a moment.
"""

import asyncio
import binascii
import json
import math
from base64 import urlsafe_b64decode
from collections.abc import Iterator, Mapping
from enum import StrEnum
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crossgrain.names.values import frozen
from crossgrain.operations.desk import Ticks

if TYPE_CHECKING:
    from httpx2 import AsyncClient
    from joserfc.jwk import Key

LONGEST_TOKEN = 8 * 1024
_SMALLEST_RSA = 2048
_CURVES = {"ES256": "P-256", "ES384": "P-384", "ES512": "P-521"}
_RSA = {"RS256", "RS384", "RS512", "PS256", "PS384", "PS512"}
_EDWARDS = {"EdDSA", "Ed25519"}
ALGORITHMS = frozenset({*_CURVES, *_RSA, *_EDWARDS})
"""Asymmetric signatures alone: neither ``none`` nor a shared secret can name a caller."""
_FORBIDDEN_HEADERS = {"crit", "b64", "jwk", "x5c", "x5u"}


class Why(StrEnum):
    """Why a caller is not known, as the log says it."""

    NO_TOKEN = "no bearer token"
    FORM = "not of the form of a token"
    HEADER = "a header that is not taken"
    TYPE = "another type of token"
    ISSUER = "an issuer that is not trusted"
    KEY_SET = "another key set than the issuer's"
    KEY = "a key that is not known, or not for this"
    SIGNATURE = "a signature that does not hold"
    TIMES = "over, not valid yet, or without an end"
    LIFETIME = "meant to live too long"
    AUDIENCE = "meant for another audience"
    NAME = "without a usable name of its own"
    USED = "used before"
    INACTIVE = "not active, says the authorization server"
    SCOPE = "scopes that are no text"


class NotKnown(Exception):
    """The caller is not known."""

    def __init__(self, why: Why) -> None:
        super().__init__(why)
        self.why = why


@frozen
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
        raise NotKnown(Why.FORM)
    header = _part(parts[0])
    algorithm, key_id, kind = (header.get(name) for name in ("alg", "kid", "typ"))
    if not isinstance(algorithm, str) or algorithm not in ALGORITHMS:
        raise NotKnown(Why.HEADER)
    if not isinstance(key_id, str) or not key_id:
        raise NotKnown(Why.HEADER)
    if _FORBIDDEN_HEADERS & set(header) or not isinstance(kind, str | None):
        raise NotKnown(Why.HEADER)
    url = header.get("jku")
    if not isinstance(url, str | None):
        raise NotKnown(Why.HEADER)
    return Header(algorithm, key_id, kind or "", url)


def _part(encoded: str) -> dict[str, Any]:
    try:
        decoded = json.loads(urlsafe_b64decode(encoded + "=" * (-len(encoded) % 4)))
    except (binascii.Error, ValueError, RecursionError):
        raise NotKnown(Why.FORM) from None
    if not isinstance(decoded, dict):
        raise NotKnown(Why.FORM)
    return decoded


def unverified_issuer(token: str) -> str:
    """Whose keys are to be looked up; the signature then shows whether that is true."""
    issuer = _part(token.split(".")[1]).get("iss")
    if not isinstance(issuer, str):
        raise NotKnown(Why.ISSUER)
    return issuer


# The library of signatures takes long to load, and many deployments ask nobody who they are: it is
# loaded with the first `KeySource`, at start, and not before.


def verified_claims(token: str, header: Header, key: "Key") -> Mapping[str, Any]:
    """The claims of a token that this very key signed by the algorithm that it is for."""
    from joserfc import jwt  # noqa: PLC0415
    from joserfc.errors import JoseError  # noqa: PLC0415

    if not fits(key, header.algorithm):
        raise NotKnown(Why.KEY)
    try:
        return jwt.decode(token, key, algorithms=[header.algorithm]).claims
    except (JoseError, ValueError, TypeError, RecursionError):
        raise NotKnown(Why.SIGNATURE) from None


def fits(key: "Key", algorithm: str) -> bool:
    """Whether a key may be used with an algorithm: its kind, its curve, its size, its purpose."""
    from joserfc.jwk import ECKey, OKPKey, RSAKey  # noqa: PLC0415

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
        raise NotKnown(Why.TIMES)
    try:
        seconds = float(value)
    except OverflowError:  # an integer of hundreds of digits
        raise NotKnown(Why.TIMES) from None
    if not math.isfinite(seconds):
        raise NotKnown(Why.TIMES)
    return seconds


def check_times(claims: Mapping[str, Any], now: float, leeway: int) -> float:
    """Refuse a token that is over, or not yet valid, or has no end; gives when it ends."""
    ends = check_times_said(claims, now, leeway)
    if ends is None:
        raise NotKnown(Why.TIMES)
    return ends


def check_times_said(claims: Mapping[str, Any], now: float, leeway: int) -> float | None:
    """Refuse what says that it is over, or not yet valid; gives when it ends, if it says so."""
    ends, begins, issued = (moment(claims, name) for name in ("exp", "nbf", "iat"))
    if ends is not None and ends + leeway <= now:
        raise NotKnown(Why.TIMES)
    if (begins is not None and begins - leeway > now) or (
        issued is not None and issued - leeway > now
    ):
        raise NotKnown(Why.TIMES)
    return ends


SECONDS = 3.0
MOST_BYTES = 256 * 1024


class TooMuch(Exception):
    """The answer came too slowly, or is too long."""


class NoAnswer(Exception):
    """Nothing could be asked at that address, or nothing came back."""


async def ask(
    client: "AsyncClient",
    method: str,
    address: str,
    auth: tuple[str, str] | None = None,
    data: Mapping[str, str] | None = None,
    headers: Mapping[str, str] | None = None,
) -> tuple[int, bytes]:
    """The status and the body of the answer; `data` are the fields of a form.

    Raises
    ------
    TooMuch
        where all of it did not come in time (a client's own time limits begin anew with every
        byte), or where it is longer than such an answer can be.
    NoAnswer
        where there is none.
    """
    import httpx2 as httpx  # noqa: PLC0415 - loaded with the client, where one is needed

    content = bytearray()
    try:
        async with asyncio.timeout(SECONDS):
            request = client.build_request(method, address, data=data, headers=headers)
            answer = await client.send(request, stream=True, auth=auth)
            try:
                async for chunk in answer.aiter_bytes():
                    content += chunk
                    if len(content) > MOST_BYTES:
                        raise TooMuch
            finally:
                await answer.aclose()
    except TimeoutError:
        raise TooMuch from None
    except (httpx.HTTPError, httpx.InvalidURL):
        raise NoAnswer from None
    return answer.status_code, bytes(content)


_AGAIN_AFTER_SECONDS = 10.0
_LONGEST_SECONDS = 24 * 3600.0
_A_MOMENT = 0.25
_OK = 200
_ASYMMETRIC = ("RSA", "EC", "OKP")
_PRIVATE = ("d", "p", "q", "dp", "dq", "qi", "oth")
_FAILURES = (NoAnswer, TooMuch, OSError, ValueError, RecursionError)


class Unavailable(Exception):
    """Who the caller is cannot be told now: what would tell it is out of reach."""


def _is_address(location: str) -> bool:
    return location.startswith(("http://", "https://"))


def may_be_named(url: str | None, location: str) -> bool:
    """Whether a token may say that its keys are at `url`, where they come from `location`.

    What a token names is compared, and never followed. Keys from a file have no address to compare
    with: there the key's id and the signature tell.
    """
    return url is None or not _is_address(location) or url == location


class KeySource:
    """The keys at one location.

    Parameters
    ----------
    location : a file's path, or an http or https URL
    seconds : how long a set is kept
    client : fetches URLs; it follows no redirect
    ticks : by which ages are told: a clock that is set must not make a set last, or be over
    """

    def __init__(self, location: str, seconds: float, client: "AsyncClient", ticks: Ticks) -> None:
        self.location = location
        self._seconds = seconds
        self._client = client
        self._ticks = ticks
        import_module("joserfc.jwt")
        self._keys: Mapping[str, Key] = {}
        self._read_at = self._tried_at = float("-inf")
        self._reading: asyncio.Task[None] | None = None

    async def key(self, key_id: str) -> "Key":
        """The key of that id.

        Raises
        ------
        NotKnown
            where there is none.
        Unavailable
            where no set could be read for a day, or ever.
        """
        if self._age() >= self._seconds or key_id not in self._keys:
            await self._read_again(patient=not self._serves(key_id))
        if self._age() > _LONGEST_SECONDS:
            raise Unavailable
        if key_id not in self._keys:
            raise NotKnown(Why.KEY)
        return self._keys[key_id]

    def _age(self) -> float:
        return self._ticks() - self._read_at

    def _serves(self, key_id: str) -> bool:
        return key_id in self._keys and self._age() <= _LONGEST_SECONDS

    async def close(self) -> None:
        """Wait for no answer any more."""
        if self._reading is not None:
            self._reading.cancel()

    async def _read_again(self, *, patient: bool) -> None:
        """Read the set once for all who wait; the impatient go on without after a moment."""
        if self._reading is None:
            if self._ticks() - self._tried_at < min(_AGAIN_AFTER_SECONDS, self._seconds):
                return
            self._tried_at = self._ticks()
            self._reading = asyncio.create_task(self._read())
        left = max(0.0, self._tried_at + _A_MOMENT - self._ticks())
        await asyncio.wait({self._reading}, timeout=None if patient else left)

    async def _read(self) -> None:
        try:
            self._keys = dict(_keys_in(json.loads(await self._load())))
            self._read_at = self._ticks()
        except _FAILURES:
            return
        finally:
            self._reading = None

    async def _load(self) -> bytes:
        if not _is_address(self.location):
            return Path(self.location).read_bytes()
        status, content = await ask(self._client, "GET", self.location)
        if status != _OK:
            raise ValueError("no key set")
        return content


def _keys_in(document: Any) -> Iterator[tuple[str, "Key"]]:
    """Every usable public key by its id; a secret among them is never one.

    One that is not understood is passed over, as RFC 7517, section 5, has it.
    """
    entries = document.get("keys") if isinstance(document, dict) else None
    if not isinstance(entries, list):
        raise ValueError("no key set")
    for entry in entries:
        key = _public(entry) if isinstance(entry, dict) else None
        if key is not None:
            yield entry["kid"], key


def _public(entry: dict[str, Any]) -> "Key | None":
    from joserfc.errors import JoseError  # noqa: PLC0415
    from joserfc.jwk import JWKRegistry  # noqa: PLC0415

    if entry.get("kty") not in _ASYMMETRIC or not isinstance(entry.get("kid"), str):
        return None
    public = {name: value for name, value in entry.items() if name not in _PRIVATE}
    try:
        return JWKRegistry.import_key(public) if public["kid"] else None
    except (JoseError, ValueError, TypeError, KeyError, AttributeError):
        return None
