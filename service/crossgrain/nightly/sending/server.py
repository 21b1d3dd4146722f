"""One FHIR server, called with patience: what may pass is tried again, what may not is not."""

import time
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import msgspec

from crossgrain.names.version import FhirVersion
from crossgrain.nightly.faults import RunRefused
from crossgrain.nightly.sending.auth import Tokens
from crossgrain.writing.encode import to_json

_PASSING = frozenset({408, 425, 429, 500, 502, 503, 504})
_UNAUTHORIZED = 401
MOST_TRIES = 6
LONGEST_WAIT_SECONDS = 60.0


class Server:
    """Calls one server.

    Parameters
    ----------
    base : its FHIR base address
    version : the FHIR version to speak
    tokens : gives access tokens; ``None`` for a server that asks for none
    wait : sleeps so many seconds
    """

    def __init__(
        self,
        base: str,
        version: FhirVersion,
        http: httpx.Client,
        tokens: Tokens | None = None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        major, minor, _ = version.number.split(".")
        self._base, self._http, self._tokens, self._wait = base, http, tokens, wait
        self._media = f"application/fhir+json; fhirVersion={major}.{minor}"

    def transact(self, bundle: dict[str, Any]) -> None:
        """Post a transaction; it is filed whole or not at all."""
        self._call("POST", "", content=to_json(bundle))

    def find(self, kind: str, system: str, value: str) -> dict[str, Any] | None:
        """The one resource with a business identifier, or ``None``.

        It is asked for by a POST, so that no identifier stands in a URL.
        """
        form = {"identifier": f"{system}|{value}"}
        answer = self._call("POST", f"{kind}/_search", data=form)
        entries = answer.get("entry", [])
        found = [
            e["resource"] for e in entries if e.get("resource", {}).get("resourceType") == kind
        ]
        if len(found) > 1:
            raise RunRefused(f"the server holds several {kind}s of one identifier")
        return found[0] if found else None

    def _call(self, method: str, path: str, **body: Any) -> dict[str, Any]:
        url = f"{self._base}/{path}".rstrip("/")
        for tried in range(1, MOST_TRIES + 1):
            answer = self._once(method, url, body)
            if answer is not None and answer.is_success:
                return _decoded(answer)
            if answer is not None and answer.status_code not in {*_PASSING, _UNAUTHORIZED}:
                raise RunRefused(f"the server answered {answer.status_code}; nothing more was sent")
            if answer is not None and answer.status_code == _UNAUTHORIZED:
                if self._tokens is None or tried > 1:
                    raise RunRefused("the server did not let us in (401); nothing more was sent")
                self._tokens.forget()
                continue
            if tried < MOST_TRIES:
                self._wait(_pause(answer, tried))
        raise RunRefused(f"the server could not be reached in {MOST_TRIES} tries")

    def _once(self, method: str, url: str, body: dict[str, Any]) -> httpx.Response | None:
        headers = {"Accept": self._media}
        if "content" in body:
            headers["Content-Type"] = self._media
        if self._tokens is not None:
            headers["Authorization"] = f"Bearer {self._tokens.token()}"
        try:
            return self._http.request(method, url, headers=headers, **body)
        except httpx.TransportError:
            return None


def _pause(answer: httpx.Response | None, tried: int) -> float:
    """As long as the server asks for, else twice as long each time."""
    asked = answer.headers.get("Retry-After", "") if answer is not None else ""
    seconds = float(asked) if asked.isdecimal() else float(2 ** (tried - 1))
    return min(seconds, LONGEST_WAIT_SECONDS)


def _decoded(answer: httpx.Response) -> dict[str, Any]:
    try:
        body = msgspec.json.decode(answer.content) if answer.content else {}
    except msgspec.DecodeError:
        body = None
    if not isinstance(body, dict):
        raise RunRefused("the server did not answer with a FHIR resource")
    return body
