"""The server's addresses: what each answers, and how a fault is told."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route, Router
from starlette.types import ASGIApp

from needlecoach.errors import NeedlecoachError
from needlecoach.marks import TargetEntry, first_fault
from needlecoach.review.desk import Desk
from needlecoach.review.guard import Guard
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


class _Asked(BaseModel):
    """What a page sends; more than is known is refused."""

    model_config = ConfigDict(extra="forbid", strict=True)


class _PutMarks(_Asked):
    marks: dict[str, Any]
    version: str


class _Follow(_Asked):
    target: TargetEntry
    region_px: tuple[int, int, int, int] | None = None


class _Score(_Asked):
    no_target: bool = False


class _HoldAgainst(_Asked):
    marks: dict[str, Any]
    mm_per_px: tuple[float, float] | None = None


class _PutCorrections(_Asked):
    corrections: list[Any]
    version: str


def make_app(desk: Desk, *, token: str, port: int) -> ASGIApp:
    """Server of one open clip, guarded.

    Parameters
    ----------
    token : first part of every path
    port : on which it will listen
    """
    score = _take(_Score, lambda asked: desk.score(no_target=asked.no_target))
    follow = _take(_Follow, lambda asked: desk.follow(asked.target, asked.region_px))
    held = _take(_HoldAgainst, lambda asked: desk.held_against_block(asked.marks, asked.mm_per_px))
    put_marks = _take(_PutMarks, lambda asked: desk.save_marks(asked.marks, asked.version))
    put_corrections = _take(
        _PutCorrections, lambda asked: desk.correcting.save(asked.corrections, asked.version)
    )
    api = [
        Route("/clip", _answer(desk.about)),
        Route("/frames/{number:int}", _frame(desk)),
        Route("/video", _video(desk)),
        Route("/marks", _answer(desk.marks.record), methods=["GET"]),
        Route("/marks", put_marks, methods=["PUT"]),
        Route("/blocks", _answer(desk.blocks), methods=["GET"]),
        Route("/blocks", held, methods=["POST"]),
        Route("/proposal", _proposal(desk)),
        Route("/follow", follow, methods=["POST"]),
        Route("/score", score, methods=["POST"]),
        Route("/jobs/{key}", _job(desk)),
        Route("/result", _bytes(desk.results.page, "application/json")),
        Route("/strip.png", _bytes(desk.results.strip, "image/png")),
        Route("/corrections", _answer(desk.correcting.record), methods=["GET"]),
        Route("/corrections", put_corrections, methods=["PUT"]),
    ]
    pages = [
        Route("/mark", _page("mark.html")),
        Route("/review", _page("review.html")),
        Route("/static/{name}", _static),
        Mount("/api", app=_exactly(api)),
    ]
    app = Starlette(
        routes=[Mount(f"/{token}", app=_exactly(pages))],
        exception_handlers={
            RefusalError: _on_refusal,
            NeedlecoachError: _on_mendable,
            HTTPException: _on_http,
            ClientDisconnect: _on_gone,
            Exception: _on_defect,
        },
    )
    app.router.redirect_slashes = False
    return Guard(app, token=token, port=port)


def _exactly(routes: Sequence[BaseRoute]) -> Router:
    """Routes that answer under their own addresses only, and send nobody on from one that is like them."""
    return Router(routes, redirect_slashes=False)


def _answer(work: Callable[[], Any]) -> Endpoint:
    """Endpoint that answers with what `work` returns, off the thread that serves."""

    async def endpoint(_: Request) -> Response:
        return JSONResponse(await run_in_threadpool(work))

    return endpoint


def _take(model: type[BaseModel], work: Callable[[Any], Any]) -> Endpoint:
    """Endpoint that hands what a page sent, checked, to `work`."""

    async def endpoint(request: Request) -> Response:
        asked = await _asked(request, model)
        return JSONResponse(await run_in_threadpool(work, asked))

    return endpoint


async def _asked(request: Request, model: type[BaseModel]) -> BaseModel:
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


def _frame(desk: Desk) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        png = await run_in_threadpool(desk.shelf.png, request.path_params["number"])
        return Response(png, media_type="image/png", headers={"Cache-Control": "private, max-age=600"})

    return endpoint


def _bytes(work: Callable[[], bytes], kind: str) -> Endpoint:
    async def endpoint(_: Request) -> Response:
        return Response(await run_in_threadpool(work), media_type=kind)

    return endpoint


def _video(desk: Desk) -> Endpoint:
    """The video, or the part of it that was asked for."""

    async def endpoint(_: Request) -> Response:
        path, kind = await run_in_threadpool(desk.film.file)
        return FileResponse(path, media_type=kind)

    return endpoint


def _proposal(desk: Desk) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        screen: Literal["auto"] | None = "auto" if request.query_params.get("screen") == "auto" else None
        return JSONResponse(await run_in_threadpool(desk.proposal, screen))

    return endpoint


def _job(desk: Desk) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        return JSONResponse(desk.job(request.path_params["key"]))

    return endpoint


def _page(name: str) -> Endpoint:
    async def endpoint(_: Request) -> Response:
        return FileResponse(STATIC / name, media_type=_KINDS[".html"])

    return endpoint


async def _static(request: Request) -> Response:
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
