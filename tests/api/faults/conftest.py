"""Real servers, and the shipped catalogue, under what goes wrong."""

from tests.api.conftest import catalogue
from tests.api.servers import start

__all__ = ["catalogue", "start"]
