"""Settings of a deployment, from environment variables that begin with ``CROSSGRAIN_``."""

from pathlib import Path

from pydantic import Field
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """Every setting has a working default; none is secret."""

    model_config = SettingsConfigDict(env_prefix="CROSSGRAIN_", extra="ignore")

    clinic: Path | None = Field(
        default=None, description="The clinic's own chart and stocked strengths, a TOML file."
    )
    max_body_bytes: int = Field(
        default=4 * 1024 * 1024, gt=0, description="A larger request body is refused (413)."
    )
    body_seconds: float = Field(
        default=20.0, gt=0, description="A body that takes longer to arrive is refused (408)."
    )
