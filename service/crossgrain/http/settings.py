"""Settings of a deployment, from environment variables that begin with ``CROSSGRAIN_``.

Secrets may also stand in files of ``CROSSGRAIN_SECRETS_DIR``, each named as its variable is,
in small letters.
"""

import json
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import Field, SecretStr, field_validator, model_validator
from pydantic_settings import BaseSettings, NoDecode, SettingsConfigDict

from crossgrain.dosing.kept import MOST_KEPT
from crossgrain.operations.faults import nearest

HIDDEN = "(set, not shown)"
_STORES = {"redis", "rediss", "unix"}
_ORIGIN = re.compile(r"[a-z][a-z0-9+.-]*://[^/?#\s]+")


_PREFIX = "CROSSGRAIN_"
_INJECTED = re.compile(r"CROSSGRAIN_(SERVICE_(HOST|PORT)|PORT)(_|$)")
"""What a cluster puts beside a service that is called so."""


def unknown_settings(environment: Iterable[str]) -> list[str]:
    """What is said of each name that looks like a setting and is none: it changes nothing.

    >>> unknown_settings(["CROSSGRAIN_TIMEZONE", "CROSSGRAIN_PORT_8000_TCP", "PATH"])
    ['CROSSGRAIN_TIMEZONE is no setting, and changes nothing; did you mean CROSSGRAIN_TIME_ZONE?']
    """
    known = {name.upper() for name in Settings.model_fields}
    named = {
        name: name.upper().removeprefix(_PREFIX)
        for name in sorted(environment)
        if name.upper().startswith(_PREFIX) and not _INJECTED.match(name)
    }
    return [_is_none(name, own, known) for name, own in named.items() if own not in known]


def _is_none(name: str, own: str, known: set[str]) -> str:
    """`own` is the name without what all of them begin with, which would make any two alike."""
    near = nearest(own, sorted(known))
    hint = f"; did you mean {_PREFIX}{near}?" if near else ""
    return f"{name} is no setting, and changes nothing{hint}"


class Settings(BaseSettings):
    """Every setting has a default that works on one's own machine."""

    model_config = SettingsConfigDict(env_prefix=_PREFIX, extra="ignore", allow_inf_nan=False)

    clinic: Path | None = Field(
        default=None, description="The clinic's own charts, products and stock, a TOML file."
    )
    plans_kept: int = Field(
        default=MOST_KEPT,
        ge=0,
        description="Plans cached by dose, without any patient's data. 0: no cache.",
    )
    max_body_bytes: int = Field(
        default=8 * 1024 * 1024,
        gt=0,
        description="The largest request body; a larger one is refused (413).",
    )
    body_seconds: float = Field(
        default=20.0, gt=0, description="How long a request body may take to arrive (408)."
    )
    max_in_flight: int = Field(
        default=128, gt=0, description="Requests in flight; more are shed (503)."
    )
    max_bytes_in_flight: int = Field(
        default=64 * 1024 * 1024,
        gt=0,
        description="Bytes of request bodies in flight; more are shed (503).",
    )
    drain_seconds: float = Field(
        default=1.0,
        ge=0,
        description="On SIGTERM: how long /readyz says 503 while all else is still served.",
    )
    shutdown_seconds: int = Field(
        default=20,
        gt=0,
        description="After the drain: how long requests in flight may take to finish.",
    )
    public_url: str | None = Field(
        default=None, description="The address that callers use, such as https://dose.example."
    )
    cors_origins: Annotated[tuple[str, ...], NoDecode] = Field(
        default=(), description="Origins whose pages may call; a JSON list."
    )
    time_zone: str = Field(
        default="UTC",
        description="The time zone of the place that CDS Hooks calls from: it says which day"
        " today is, and on which day an instant of the record was.",
    )
    cds_basis: str = Field(
        default="practice", description="The basis by which CDS Hooks judge an order."
    )
    cds_auth: Literal["off", "jwt"] | None = Field(
        default=None, description="How CDS clients are authenticated: off, or jwt."
    )
    cds_issuers: Annotated[dict[str, str], NoDecode] = Field(
        default_factory=dict,
        description="Trusted CDS clients: issuer to JWKS, file or URL; a JSON object.",
    )
    cds_token_seconds: int = Field(
        default=300, gt=0, description="The longest life of a CDS client's token."
    )
    cds_fhir_servers: Annotated[tuple[str, ...], NoDecode] = Field(
        default=(), description="FHIR servers that may be asked for what a call lacks; a JSON list."
    )
    cds_orders_alone: bool = Field(
        default=False,
        description="Whether the clients' orders are the whole list of medicines, so that no"
        " MedicationStatement is waited for.",
    )
    cds_fetch_seconds: float = Field(
        default=2.0, gt=0, description="How long all of that fetching together may take."
    )
    jti_store: SecretStr | None = Field(
        default=None, description="Where replicas share the tokens already used: a redis:// URL."
    )
    fhir_auth: Literal["off", "jwks", "introspection"] | None = Field(
        default=None, description="How FHIR callers are authenticated: off, jwks, or introspection."
    )
    oauth_issuer: str | None = Field(default=None, description="The issuer of access tokens.")
    oauth_audience: str | None = Field(
        default=None, description="The audience that an access token must name."
    )
    oauth_jwks: str | None = Field(default=None, description="The issuer's JWKS, a file or a URL.")
    oauth_token_endpoint: str | None = Field(
        default=None,
        description="Where callers get a token; with the issuer it is published for SMART.",
    )
    oauth_authorization_endpoint: str | None = Field(
        default=None, description="Where users of apps sign in, published with it."
    )
    introspection_url: str | None = Field(
        default=None, description="Where access tokens are introspected (RFC 7662)."
    )
    introspection_client: str | None = Field(
        default=None, description="This service's client id there."
    )
    introspection_secret: SecretStr | None = Field(
        default=None, description="This service's secret there."
    )
    jwks_seconds: float = Field(
        default=300.0, gt=0, description="How long a JWKS is cached before it is fetched again."
    )
    clock_leeway_seconds: int = Field(
        default=30, ge=0, description="The clock skew that is tolerated."
    )
    metrics: bool = Field(default=True, description="Serve /metrics.")
    traces: bool = Field(
        default=False, description="Export traces; needs the extra otel and OTEL_ variables."
    )
    log_format: Literal["json", "plain"] = Field(
        default="json", description="The form of log lines: json or plain."
    )
    secrets_dir: Path | None = Field(
        default=None,
        description="A folder of files, one secret each, named as its variable in small letters.",
    )

    @field_validator("*")
    @classmethod
    def _text(cls, value: object) -> object:
        """Bytes of the environment that are no UTF-8 arrive as characters that nothing can send."""
        try:
            for text in _texts_in(value):
                text.encode()
        except UnicodeEncodeError:
            raise ValueError("UTF-8 is expected") from None
        return value

    @field_validator("cors_origins", "cds_issuers", "cds_fhir_servers", mode="before")
    @classmethod
    def _json(cls, value: object) -> object:
        """Read here, not by the library, whose error would not be one of the setting's."""
        if not isinstance(value, str):
            return value
        try:
            return json.loads(value)
        except (ValueError, RecursionError):
            raise ValueError('JSON is expected, such as ["https://ehr.example"]') from None

    @field_validator("cors_origins")
    @classmethod
    def _origins(cls, origins: tuple[str, ...]) -> tuple[str, ...]:
        """What is no origin would be equal to none that a browser sends."""
        for origin in origins:
            if origin != "*" and not _ORIGIN.fullmatch(origin):
                raise ValueError("each is *, or an origin such as https://ehr.example, no path")
        return origins

    @field_validator("jti_store")
    @classmethod
    def _store(cls, store: SecretStr | None) -> SecretStr | None:
        try:
            parts = urlsplit(store.get_secret_value() if store else "redis://x")
            is_sound = bool(parts.netloc or parts.path) and parts.port != 0
        except ValueError:
            is_sound = False
        if not is_sound or parts.scheme not in _STORES:
            raise ValueError("a redis://, rediss:// or unix:// address is expected")
        return store

    @field_validator("public_url", "introspection_url")
    @classmethod
    def _no_final_slash(cls, url: str | None) -> str | None:
        return _address(url) if url else url

    @field_validator("oauth_token_endpoint", "oauth_authorization_endpoint")
    @classmethod
    def _endpoint(cls, url: str | None) -> str | None:
        """Checked, and published as it was written."""
        if url:
            _address(url)
        return url

    @field_validator("cds_fhir_servers")
    @classmethod
    def _servers(cls, urls: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(map(_address, urls))

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (ValueError, KeyError, OSError):
            raise ValueError("an IANA time zone is expected, such as Europe/Lisbon") from None
        return zone

    @model_validator(mode="after")
    def _complete(self) -> Self:
        """A half-configured check would let everyone in or no one: refuse it at start."""
        needs = (
            (self.cds_auth == "jwt", ("public_url", "cds_issuers")),
            (self.fhir_auth == "jwks", ("oauth_issuer", "oauth_audience", "oauth_jwks")),
            (
                self.fhir_auth == "introspection",
                (
                    "introspection_url",
                    "introspection_client",
                    "introspection_secret",
                    "oauth_audience",
                ),
            ),
            (self.oauth_token_endpoint, ("oauth_issuer",)),
            (self.oauth_authorization_endpoint, ("oauth_token_endpoint",)),
        )
        missing = [name for on, names in needs if on for name in names]
        absent = [name.upper() for name in missing if not getattr(self, name)]
        if absent:
            raise ValueError(f"also set CROSSGRAIN_{', CROSSGRAIN_'.join(absent)}")
        return self

    def summary(self) -> Iterator[tuple[str, str]]:
        """Name and value of every setting; a secret is shown only to be set."""
        for name in type(self).model_fields:
            value = getattr(self, name)
            yield name, HIDDEN if isinstance(value, SecretStr) else str(value)


def _texts_in(value: object) -> Iterator[str]:
    if isinstance(value, SecretStr):
        yield value.get_secret_value()
    elif isinstance(value, dict):
        yield from (text for pair in value.items() for text in pair)
    elif isinstance(value, str | Path):
        yield str(value)
    elif isinstance(value, tuple):
        yield from value


def _address(url: str) -> str:
    """An address that can be asked, without its final slash."""
    import httpx2 as httpx  # noqa: PLC0415 - only where a setting is an address

    try:
        parsed = httpx.URL(url)
    except (httpx.InvalidURL, ValueError):
        raise ValueError("this is no address that can be asked") from None
    if parsed.scheme not in {"https", "http"} or not parsed.host:
        raise ValueError("an absolute http or https address is expected")
    return url.rstrip("/")


class SecretsUnreadable(Exception):
    """The folder of secrets, or one of its files: which, and what is wrong with it."""


def settings_from_environment() -> Settings:
    """The settings, secrets in files included.

    Raises
    ------
    SecretsUnreadable
        naming the file, never what stands in it.
    """
    settings = Settings()
    if settings.secrets_dir is None:
        return settings
    _check_secrets(settings.secrets_dir)
    return Settings(_secrets_dir=settings.secrets_dir)  # type: ignore[call-arg]


def _check_secrets(folder: Path) -> None:
    file = folder
    try:
        for file in folder.iterdir():
            if file.name.lower().startswith("crossgrain_") and file.is_file():
                file.read_text("utf-8")
    except OSError as wrong:
        raise SecretsUnreadable(f"{wrong.filename or file}: {wrong.strerror}") from None
    except UnicodeDecodeError:
        raise SecretsUnreadable(f"{file}: UTF-8 is expected") from None
