"""The floor: a plain FastAPI route that parses a body with orjson and gives it back.

Nothing of the service stands around it, and it runs on a server of its own: uvicorn, one worker,
its access log off, as the image runs the service. It is the least that any JSON service costs in
this interpreter. ``python -m tests.bench.serve.echoing --port 8000``.
"""

import argparse

import orjson
import uvicorn
from fastapi import FastAPI, Request, Response

ECHO = "/echo"
app = FastAPI(openapi_url=None)


@app.post(ECHO)
async def echo(request: Request) -> Response:
    """The body, parsed and written again."""
    again = orjson.dumps(orjson.loads(await request.body()))
    return Response(again, media_type="application/fhir+json")


@app.get("/readyz")
async def readyz() -> dict[str, str]:
    """Whether it answers at all."""
    return {"status": "ready"}


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=int, required=True)
    uvicorn.run(app, port=parser.parse_args().port, access_log=False, log_level="critical")
