"""The hooks over the shipped catalogue, without a server before them."""

import asyncio
import json
from collections.abc import Callable
from typing import Any

import pytest
from tests.api.conftest import STOPPED

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.cds.gathering import Gatherer
from crossgrain.cds.handling import Hooks
from crossgrain.cds.services import templates
from crossgrain.http.settings import Settings
from crossgrain.operations.desk import desk_over
from crossgrain.reading.json import parse

Cards = Callable[..., list[dict[str, Any]]]


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
        return asyncio.run(hooks.cards(parse(json.dumps(body).encode()), service))

    return ask
