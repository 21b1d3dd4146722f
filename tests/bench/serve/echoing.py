"""``crossgrain serve`` as it stands, with one more route that parses a body and gives it back.

``python -m tests.bench.serve.echoing serve --port 8000`` is the service's own command with its own
settings, logs and layers. The route is added here and nowhere else; it is what the least that any
JSON service does costs behind the same layers.
"""

import orjson
from fastapi import FastAPI, Request, Response

from crossgrain.cli import main, serving

ECHO = "/bench/echo"


async def echo(request: Request) -> Response:
    """The body, parsed and written again."""
    again = orjson.dumps(orjson.loads(await request.body()))
    return Response(again, media_type="application/fhir+json")


def with_echo() -> FastAPI:
    """The service's own app and the echo, looked up as soon as the first operation is."""
    app = app_of_the_service()
    app.add_api_route(ECHO, echo, methods=["POST"], include_in_schema=False)
    app.router.routes.insert(0, app.router.routes.pop())
    return app


app_of_the_service = serving.app_from_environment

if __name__ == "__main__":
    serving.app_from_environment = with_echo  # uvicorn looks the factory up by this name
    main()
