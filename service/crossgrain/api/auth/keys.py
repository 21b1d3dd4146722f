"""Public keys of an issuer, from a file or a URL: kept for a while, and read again on rotation.

A key id that is not known makes the set be read anew, but not more often than every few seconds,
so that made-up key ids cannot turn the service against the issuer. Where the source cannot be
reached, the last set that was read still serves, for a day.
"""

import asyncio
import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import httpx2 as httpx
from joserfc.errors import JoseError
from joserfc.jwk import JWKRegistry, Key

from crossgrain.api.auth.tokens import NotKnown

_AGAIN_AFTER_SECONDS = 10.0
_LONGEST_SECONDS = 24 * 3600.0
_MOST_BYTES = 256 * 1024
_OK = 200
_ASYMMETRIC = ("RSA", "EC", "OKP")
_PRIVATE = ("d", "p", "q", "dp", "dq", "qi", "oth")


class Unavailable(Exception):
    """Who the caller is cannot be told now: what would tell it is out of reach."""


class KeySource:
    """The keys at one location.

    Parameters
    ----------
    location : a file's path, or an http or https URL
    seconds : how long a set is kept
    client : fetches URLs; it follows no redirect
    now : gives the time in seconds
    """

    def __init__(
        self, location: str, seconds: float, client: httpx.AsyncClient, now: Callable[[], float]
    ) -> None:
        self.location = location
        self._seconds = seconds
        self._client = client
        self._now = now
        self._keys: Mapping[str, Key] = {}
        self._read_at = self._tried_at = float("-inf")
        self._lock = asyncio.Lock()

    async def key(self, key_id: str) -> Key:
        """The key of that id.

        Raises
        ------
        NotKnown
            where there is none.
        Unavailable
            where no set could be read for a day, or ever.
        """
        if self._now() - self._read_at >= self._seconds or key_id not in self._keys:
            await self._read_again()
        if self._now() - self._read_at > _LONGEST_SECONDS:
            raise Unavailable
        if key_id not in self._keys:
            raise NotKnown
        return self._keys[key_id]

    async def _read_again(self) -> None:
        async with self._lock:
            if self._now() - self._tried_at < min(_AGAIN_AFTER_SECONDS, self._seconds):
                return
            self._tried_at = self._now()
            try:
                self._keys = dict(_keys_in(json.loads(await self._load())))
            except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError, JoseError, KeyError):
                return
            self._read_at = self._now()

    async def _load(self) -> bytes:
        if not self.location.startswith(("http://", "https://")):
            return Path(self.location).read_bytes()
        answer = await self._client.get(self.location)
        if answer.status_code != _OK or len(answer.content) > _MOST_BYTES:
            raise httpx.HTTPError("no key set")
        return answer.content


def _keys_in(document: Any) -> Iterator[tuple[str, Key]]:
    """Every usable public key by its id; a secret among them is never one."""
    entries = document["keys"] if isinstance(document, dict) else None
    for entry in entries if isinstance(entries, list) else ():
        if not isinstance(entry, dict) or entry.get("kty") not in _ASYMMETRIC:
            continue
        public = {name: value for name, value in entry.items() if name not in _PRIVATE}
        if isinstance(public.get("kid"), str) and public["kid"]:
            yield public["kid"], JWKRegistry.import_key(public)
