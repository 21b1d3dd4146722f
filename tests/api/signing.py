"""Issuers, their keys, and tokens as a friend or an attacker would make them."""

import base64
import hmac
import json
from datetime import datetime
from hashlib import sha256
from typing import Any

from joserfc import jwt
from joserfc.jwk import ECKey, Key, OctKey, OKPKey, RSAKey
from joserfc.jws import JWSRegistry

from .conftest import STOPPED

NOW = int(STOPPED.timestamp())
BASE = "https://dose.example"
ISSUER, OTHER = "https://ehr.example/", "https://other.example/"
AS, AUDIENCE = "https://as.example", "https://dose.example/fhir"
SERVICE = "/cds-services/thyroid-order"

KEYS: dict[str, Key] = {
    "es384": ECKey.generate_key("P-384", {"kid": "es384", "use": "sig", "alg": "ES384"}),
    "rs384": RSAKey.generate_key(2048, {"kid": "rs384"}),
    "ed": OKPKey.generate_key("Ed25519", {"kid": "ed"}),
    "enc": ECKey.generate_key("P-384", {"kid": "enc"}),
    "p256": ECKey.generate_key("P-256", {"kid": "p256"}),
    "other": ECKey.generate_key("P-384", {"kid": "other"}),
    "stranger": ECKey.generate_key("P-384", {"kid": "es384"}),
    "next": ECKey.generate_key("P-384", {"kid": "next"}),
}


def key_set(*names: str) -> dict[str, Any]:
    """The public keys of an issuer."""
    public = [KEYS[name].as_dict(private=False) for name in names]
    return {"keys": [key | ({"use": "enc"} if key["kid"] == "enc" else {}) for key in public]}


def claims(path: str = SERVICE, **changes: Any) -> dict[str, Any]:
    """A CDS client's claims for one call; ``None`` leaves one out."""
    whole = {
        "iss": ISSUER,
        "aud": f"{BASE}{path}",
        "exp": NOW + 120,
        "iat": NOW,
        "jti": "ee22b021-e1b7-4611-ba5b-8eec6a33ac1e",
        **changes,
    }
    return {name: value for name, value in whole.items() if value is not None}


def access_claims(**changes: Any) -> dict[str, Any]:
    """An access token's claims."""
    scope = "user/MedicationRequest.crs"
    whole = {"iss": AS, "aud": AUDIENCE, "exp": NOW + 600, "scope": scope, **changes}
    return {name: value for name, value in whole.items() if value is not None}


def sign(body: dict[str, Any], name: str = "es384", alg: str = "ES384", **header: Any) -> str:
    """A signed token, whatever its header says; fields of ``None`` are left out.

    Signed by hand, since a library would not write the headers that an attacker does.
    """
    fields = {"alg": alg, "kid": name, "typ": "JWT", **header}
    kept = {field: value for field, value in fields.items() if value is not None}
    said = f"{part(kept)}.{part(body)}"
    signature = JWSRegistry(algorithms=[alg]).get_alg(alg).sign(said.encode(), KEYS[name])
    return f"{said}.{base64.urlsafe_b64encode(signature).rstrip(b'=').decode()}"


def part(node: Any) -> str:
    """One part of a token."""
    return base64.urlsafe_b64encode(json.dumps(node).encode()).rstrip(b"=").decode()


def unsigned(body: dict[str, Any], alg: str = "none", signature: str = "") -> str:
    """A token without a signature."""
    return f"{part({'alg': alg, 'kid': 'es384', 'typ': 'JWT'})}.{part(body)}.{signature}"


def signed_with_the_public_key(body: dict[str, Any], name: str = "rs384") -> str:
    """The confusion of algorithms: the public key, used as if it were a shared secret."""
    head = f"{part({'alg': 'HS256', 'kid': name, 'typ': 'JWT'})}.{part(body)}"
    secret = KEYS[name].as_pem(private=False)
    digest = hmac.new(secret, head.encode(), sha256).digest()
    return f"{head}.{base64.urlsafe_b64encode(digest).rstrip(b'=').decode()}"


def with_a_shared_secret(body: dict[str, Any]) -> str:
    """A token signed with a secret of the attacker's own."""
    fields = {"alg": "HS256", "kid": "es384", "typ": "JWT"}
    return jwt.encode(fields, body, OctKey.import_key("0" * 32), algorithms=["HS256"])


def tampered(token: str, **changes: Any) -> str:
    """The same signature over other claims."""
    head, body, signature = token.split(".")
    said = json.loads(base64.urlsafe_b64decode(body + "=="))
    return f"{head}.{part({**said, **changes})}.{signature}"


def at(moment: int) -> datetime:
    """The service's clock at another second."""
    return datetime.fromtimestamp(moment, STOPPED.tzinfo)
