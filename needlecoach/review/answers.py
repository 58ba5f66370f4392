"""What all servers here answer with: values, bytes, files of the pages, and faults in words."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Awaitable, Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Router

from needlecoach.errors import NeedlecoachError
from needlecoach.marks import first_fault
from needlecoach.review.refusal import RefusalError

STATIC = Path(__file__).parent / "static"
MOST_BODY_BYTES = 1 << 20
_KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
_WORDS = {404: "There is nothing under this address.", 405: "This address takes no such request."}

Endpoint = Callable[[Request], Awaitable[Response]]


class Asked(BaseModel):
    """What a page sends; more than is known is refused."""

    model_config = ConfigDict(extra="forbid", strict=True)


def exactly(routes: Sequence[BaseRoute]) -> Router:
    """Routes that answer under their own addresses only, and send nobody on from one that is like them."""
    return Router(routes, redirect_slashes=False)


def answer(work: Callable[[], Any]) -> Endpoint:
    """Endpoint that answers with what `work` returns, off the thread that serves."""

    async def endpoint(_: Request) -> Response:
        return JSONResponse(await run_in_threadpool(work))

    return endpoint


def take(model: type[BaseModel], work: Callable[[Any], Any]) -> Endpoint:
    """Endpoint that hands what a page sent, checked, to `work`."""

    async def endpoint(request: Request) -> Response:
        sent = await asked(request, model)
        return JSONResponse(await run_in_threadpool(work, sent))

    return endpoint


async def asked(request: Request, model: type[BaseModel]) -> BaseModel:
    """What a page sent, checked.

    Raises
    ------
    RefusalError
        413 when it is too long, 400 when it is not of this form.
    """
    size, parts = 0, []
    async for part in request.stream():
        size += len(part)
        if size > MOST_BODY_BYTES:
            raise RefusalError(413, "Refused: more was sent than a clip can have marks; nothing was saved.")
        parts.append(part)
    try:
        return model.model_validate_json(b"".join(parts) or b"{}")
    except ValidationError as problem:
        raise RefusalError(400, f"Refused: {first_fault(problem)}") from problem


def bytes_of(work: Callable[[], bytes], kind: str) -> Endpoint:
    """Endpoint that answers with a file's content."""

    async def endpoint(_: Request) -> Response:
        return Response(await run_in_threadpool(work), media_type=kind)

    return endpoint


def page(name: str) -> Endpoint:
    """Endpoint of a page."""

    async def endpoint(_: Request) -> Response:
        return FileResponse(STATIC / name, media_type=_KINDS[".html"])

    return endpoint


async def static(request: Request) -> Response:
    """A file of the pages; only names that lie in their folder are known, so no path leads out of it."""
    name = request.path_params["name"]
    known = {one.name: one for one in STATIC.iterdir() if one.suffix in _KINDS}
    if name not in known:
        raise HTTPException(404)
    return FileResponse(known[name], media_type=_KINDS[known[name].suffix])


async def _on_refusal(_: Request, problem: Exception) -> Response:
    assert isinstance(problem, RefusalError)
    return JSONResponse({"error": problem.words, **problem.more}, status_code=problem.status)


async def _on_mendable(_: Request, problem: Exception) -> Response:
    return JSONResponse({"error": str(problem)}, status_code=422)


async def _on_http(_: Request, problem: Exception) -> Response:
    assert isinstance(problem, HTTPException)
    words = _WORDS.get(problem.status_code, problem.detail)
    return JSONResponse({"error": words}, status_code=problem.status_code)


async def _on_gone(_: Request, problem: Exception) -> Response:
    """Who asked is gone in mid-request: nobody reads this."""
    return Response(status_code=400)


async def _on_defect(_: Request, problem: Exception) -> Response:
    traceback.print_exception(problem, file=sys.stderr)
    words = f"This is a fault of needlecoach, not yours ({type(problem).__name__}); the terminal shows more."
    return JSONResponse({"error": words}, status_code=500)


FAULTS: Mapping[Any, Callable[[Request, Exception], Awaitable[Response]]] = {
    RefusalError: _on_refusal,
    NeedlecoachError: _on_mendable,
    HTTPException: _on_http,
    ClientDisconnect: _on_gone,
    Exception: _on_defect,
}
