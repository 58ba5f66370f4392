"""The addresses of one open clip: what each answers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.types import ASGIApp

from needlecoach.marks import TargetEntry
from needlecoach.review.answers import (
    FAULTS,
    Asked,
    Endpoint,
    answer,
    bytes_of,
    exactly,
    page,
    static,
    take,
)
from needlecoach.review.desk import Desk
from needlecoach.review.guard import Guard


class _PutMarks(Asked):
    marks: dict[str, Any]
    version: str


class _Follow(Asked):
    target: TargetEntry
    region_px: tuple[int, int, int, int] | None = None


class _Score(Asked):
    no_target: bool = False


class _HoldAgainst(Asked):
    marks: dict[str, Any]
    mm_per_px: tuple[float, float] | None = None


class _PutCorrections(Asked):
    corrections: list[Any]
    version: str


def make_app(desk: Desk, *, token: str, port: int) -> ASGIApp:
    """Server of one open clip, guarded.

    Parameters
    ----------
    token : first part of every path
    port : on which it will listen
    """
    return guarded(desk_routes(desk), token=token, port=port)


def guarded(routes: Sequence[BaseRoute], *, token: str, port: int) -> ASGIApp:
    """Server of these routes below the key, that tells faults in words and lets nobody else in."""
    app = Starlette(routes=[Mount(f"/{token}", app=exactly(routes))], exception_handlers=dict(FAULTS))
    app.router.redirect_slashes = False
    return Guard(app, token=token, port=port)


def desk_routes(desk: Desk) -> list[BaseRoute]:
    """Both pages of an open clip and all that they ask for."""
    score = take(_Score, lambda asked: desk.score(no_target=asked.no_target))
    follow = take(_Follow, lambda asked: desk.follow(asked.target, asked.region_px))
    held = take(_HoldAgainst, lambda asked: desk.held_against_block(asked.marks, asked.mm_per_px))
    put_marks = take(_PutMarks, lambda asked: desk.save_marks(asked.marks, asked.version))
    put_corrections = take(
        _PutCorrections, lambda asked: desk.correcting.save(asked.corrections, asked.version)
    )
    api = [
        Route("/clip", answer(desk.about)),
        Route("/frames/{number:int}", _frame(desk)),
        Route("/video", _video(desk)),
        Route("/marks", answer(desk.marks.record), methods=["GET"]),
        Route("/marks", put_marks, methods=["PUT"]),
        Route("/blocks", answer(desk.blocks), methods=["GET"]),
        Route("/blocks", held, methods=["POST"]),
        Route("/proposal", _proposal(desk)),
        Route("/follow", follow, methods=["POST"]),
        Route("/score", score, methods=["POST"]),
        Route("/jobs/{key}", _job(desk)),
        Route("/result", bytes_of(desk.results.page, "application/json")),
        Route("/strip.png", bytes_of(desk.results.strip, "image/png")),
        Route("/corrections", answer(desk.correcting.record), methods=["GET"]),
        Route("/corrections", put_corrections, methods=["PUT"]),
    ]
    return [
        Route("/mark", page("mark.html")),
        Route("/review", page("review.html")),
        Route("/static/{name}", static),
        Mount("/api", app=exactly(api)),
    ]


def _frame(desk: Desk) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        png = await run_in_threadpool(desk.shelf.png, request.path_params["number"])
        return Response(png, media_type="image/png", headers={"Cache-Control": "private, max-age=600"})

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
