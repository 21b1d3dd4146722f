"""``/openapi.json``: the document that the package carries, byte for byte."""

from importlib.resources import files

from fastapi import FastAPI
from starlette.responses import Response

from crossgrain.http.requests import PLAIN_JSON


def packaged() -> bytes:
    """The document as it was made; what makes it stands in ``openapi/`` of the repo."""
    return files("crossgrain").joinpath("openapi.json").read_bytes()


def add_openapi(app: FastAPI) -> None:
    """Add the route."""
    document = packaged()

    async def openapi() -> Response:
        return Response(document, media_type=PLAIN_JSON)

    app.add_api_route("/openapi.json", openapi, methods=["GET", "HEAD"], include_in_schema=False)
