"""The service when its data files are not sound: it lives, says why, and computes nothing."""

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from crossgrain.http.boundary import Boundary
from crossgrain.http.requests import refuse
from crossgrain.names.errors import DomainError
from crossgrain.operations.faults import Fault, refusal


def create_unready_app(error: DomainError) -> FastAPI:
    """Live, never ready; the fault names the place in the deployment's own file."""
    app = FastAPI(title="Crossgrain", docs_url=None, redoc_url=None, openapi_url=None)
    refused = refusal(Fault.NOT_READY, None, f"a data file is not sound: {error.field}")

    async def livez() -> Response:
        return JSONResponse({"status": "live"})

    async def anything(request: Request) -> Response:
        return refuse(refused, {"Retry-After": "30"})

    app.add_api_route("/livez", livez, methods=["GET", "HEAD"])
    methods = ["GET", "HEAD", "POST", "OPTIONS", "PUT", "PATCH", "DELETE"]
    app.add_api_route("/{path:path}", anything, methods=methods)
    app.add_middleware(Boundary)
    return app
