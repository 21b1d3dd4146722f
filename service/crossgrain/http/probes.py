"""What watches the process may ask: does it live, is it ready, what has it counted."""

from fastapi import FastAPI
from starlette.responses import JSONResponse, PlainTextResponse, Response

from crossgrain import __version__
from crossgrain.http.metrics import CONTENT_TYPE, Metrics
from crossgrain.http.presence import Presence
from crossgrain.operations.faults import Fault, refusal

LIVE = {"status": "live"}
READY = {"status": "ready", "version": __version__}


def add_metrics(app: FastAPI, metrics: Metrics) -> None:
    """Add ``/metrics``."""

    async def page() -> Response:
        """Counts and times in Prometheus' text form; of no patient."""
        return Response(metrics.page(), media_type=CONTENT_TYPE)

    app.add_api_route(
        "/metrics", page, methods=["GET"], response_class=PlainTextResponse, tags=["operations"]
    )


def add_probes(app: FastAPI, presence: Presence) -> None:
    """Add ``/livez`` and ``/readyz``."""

    async def livez() -> Response:
        """The process runs."""
        return JSONResponse(LIVE)

    async def readyz() -> Response:
        """The data files were read and found sound, and requests are served."""
        if presence.leaving:
            raise refusal(Fault.NOT_READY, None, "the service was told to stop")
        return JSONResponse(READY)

    for path, probe in (("/livez", livez), ("/readyz", readyz)):
        app.add_api_route(path, probe, methods=["GET"], tags=["operations"])
        app.add_api_route(path, probe, methods=["HEAD"], include_in_schema=False)
