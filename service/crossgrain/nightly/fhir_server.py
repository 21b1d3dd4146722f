"""One FHIR server, called with patience, by a client that signs with its own private key.

https://hl7.org/fhir/smart-app-launch/backend-services.html
"""

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx2 as httpx
import msgspec
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, Key, RSAKey

from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.nightly.plan import RunRefused
from crossgrain.writing.forms import to_json

ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_ASSERTION_SECONDS = 300  # the longest that the standard allows
_RENEW_BEFORE_SECONDS = 60
_ALGORITHMS = {"RSA": "RS384", "EC": "ES384"}
_OK = 200


@frozen
class Client:
    """Who sends.

    Attributes
    ----------
    id : as registered with the server
    key : the private key, RSA or EC on P-384, as a JWK with its ``kid``
    scope : what is asked for, e.g. ``system/DetectedIssue.cru``
    token_url : where the token is given; empty to ask the server itself
    """

    id: str
    key: Key
    scope: str
    token_url: str = ""


def key_from(path: Path) -> Key:
    """The private key in a JWK file.

    Raises
    ------
    RunRefused
        where there is none that signs RS384 or ES384; nothing of the file is shown.
    """
    try:
        document = json.loads(path.read_bytes())
        key = (RSAKey if document["kty"] == "RSA" else ECKey).import_key(document)
    except (OSError, ValueError, KeyError, TypeError, JoseError):
        raise RunRefused(f"{path}: this is no private key in the form of a JWK") from None
    curve = document.get("crv", "P-384")
    if not key.is_private or curve != "P-384" or not isinstance(document.get("kid"), str):
        raise RunRefused(f"{path}: a private RSA or P-384 key with a kid is needed")
    return key


class Tokens:
    """Gives a token that is valid for a while yet, and asks for a new one in time."""

    def __init__(
        self,
        client: Client,
        base: str,
        http: httpx.Client,
        now: Callable[[], float] = time.time,
    ) -> None:
        self._client, self._base, self._http, self._now = client, base, http, now
        self._token, self._until = "", float("-inf")

    def token(self) -> str:
        """A token for the next call."""
        if self._now() >= self._until:
            self._renew()
        return self._token

    def forget(self) -> None:
        """The server did not take the token, so the next call needs another."""
        self._until = float("-inf")

    def _renew(self) -> None:
        url = self._client.token_url or self._discovered()
        form = {
            "grant_type": "client_credentials",
            "scope": self._client.scope,
            "client_assertion_type": ASSERTION,
            "client_assertion": self._assertion(url),
        }
        answer = _json(self._http.post(url, data=form), "the token endpoint")
        token, seconds = answer.get("access_token"), answer.get("expires_in", 0)
        if not isinstance(token, str) or not isinstance(seconds, int):
            raise RunRefused("the token endpoint gave no token")
        self._token = token
        self._until = self._now() + max(seconds - _RENEW_BEFORE_SECONDS, 0)

    def _assertion(self, url: str) -> str:
        client, issued = self._client, int(self._now())
        header = {"alg": _ALGORITHMS[client.key.key_type], "kid": client.key.kid, "typ": "JWT"}
        claims = {
            "iss": client.id,
            "sub": client.id,
            "aud": url,
            "exp": issued + _ASSERTION_SECONDS,
            "jti": str(uuid4()),
        }
        return jwt.encode(header, claims, client.key, algorithms=list(_ALGORITHMS.values()))

    def _discovered(self) -> str:
        answer = self._http.get(f"{self._base}/.well-known/smart-configuration")
        url = _json(answer, "the server's SMART configuration").get("token_endpoint")
        if not isinstance(url, str):
            raise RunRefused("the server's SMART configuration names no token endpoint")
        return url


def _json(answer: httpx.Response, whose: str) -> dict[str, Any]:
    if answer.status_code != _OK:
        raise RunRefused(f"{whose} answered {answer.status_code}")
    try:
        body = answer.json()
    except ValueError:
        body = None
    if not isinstance(body, dict):
        raise RunRefused(f"{whose} did not answer with JSON")
    return body


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
    except (msgspec.DecodeError, UnicodeDecodeError):
        body = None
    if not isinstance(body, dict):
        raise RunRefused("the server did not answer with a FHIR resource")
    return body
