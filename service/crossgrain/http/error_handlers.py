"""Errors of any room, the framework's own included, as OperationOutcomes."""

from http import HTTPStatus

from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Match

from crossgrain.http.requests import refuse
from crossgrain.operations.faults import Fault, RequestRefused, refusal, row_of

_OF_THE_FRAMEWORK = {row_of(fault).status: fault for fault in (Fault.NOT_FOUND, Fault.METHOD)}


def add_error_handlers(app: FastAPI) -> None:
    """Answer refusals and the framework's errors; ``OPTIONS`` names an address' methods."""
    app.add_exception_handler(RequestRefused, _on_refusal)
    app.add_exception_handler(HTTPException, _on_framework_error)


async def _on_refusal(request: Request, refused: Exception) -> Response:
    assert isinstance(refused, RequestRefused)
    return refuse(refused)


async def _on_framework_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    headers = dict(error.headers or {})
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        headers["Allow"] = ", ".join(_methods(request))
        if request.method == "OPTIONS":
            return Response(status_code=HTTPStatus.NO_CONTENT, headers=headers)
    fault = _OF_THE_FRAMEWORK.get(error.status_code, Fault.INTERNAL)
    return refuse(refusal(fault), headers)


def _methods(request: Request) -> list[str]:
    """Every method that the address takes, over all of its routes."""
    taken = {"OPTIONS"}
    for route in request.app.routes:
        if route.matches(request.scope)[0] is not Match.NONE:
            taken |= getattr(route, "methods", None) or set()
    return sorted(taken)
