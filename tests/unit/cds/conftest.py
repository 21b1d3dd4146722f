"""The hooks over the shipped catalogue, without a server before them."""

import asyncio
import json
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from msgspec import to_builtins
from tests.api.conftest import STOPPED

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.cds.answers import Answered
from crossgrain.cds.gathering import Gatherer
from crossgrain.cds.routes import Hooks
from crossgrain.cds.services import templates
from crossgrain.http.settings import Settings
from crossgrain.operations.desk import desk_over
from crossgrain.reading.json import parse

Cards = Callable[..., list[dict[str, Any]]]


def written(told: Answered) -> dict[str, Any]:
    """A part of an answer as it is written."""
    read: dict[str, Any] = to_builtins(told, builtin_types=(Decimal,))
    return read


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture
def cards(catalogue: Catalogue) -> Cards:
    """The cards of a call."""
    asked_for = templates(catalogue.codes)
    desk = desk_over(catalogue, lambda: STOPPED)

    def ask(
        body: dict[str, Any], service: str = "thyroid-order", **settings: Any
    ) -> list[dict[str, Any]]:
        hooks = Hooks(desk, Settings(**settings), Gatherer(asked_for, None))
        told = asyncio.run(hooks.cards(parse(json.dumps(body).encode()), service))
        return [written(card) for card in told]

    return ask
