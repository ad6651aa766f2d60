"""The page's application: what each address answers."""

from __future__ import annotations

import io
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from digitize import __version__
from digitize.files import lens_files, photo_from, read_rack
from digitize.formats.paper import PAPERS
from digitize.model.errors import DigitizeError, PhotoError
from digitize.rebuild.shrinkage import SPECIES
from digitize.vision.trace import Progress
from digitize.web import actions, rebuilding, scenes
from digitize.web.desk import Desk, Work
from digitize.web.edits import changed, grained, ruled, tried
from digitize.web.forms import (
    CompareAsked,
    Edit,
    Form,
    Grain,
    Join,
    Keep,
    Nothing,
    Pages,
    PlanAsked,
    Rebuild,
    Ruler,
    Trace,
)
from digitize.web.guard import Door, Guard, Limits, Refused, body_of
from digitize.web.jobs import Jobs, told
from digitize.web.words import fault

STATIC = Path(__file__).parent / "static"
LASTING = {"cache-control": "private, max-age=3600"}
FRESH = {"cache-control": "no-store"}
BUSY = {"retry-after": "5"}

_Asked = TypeVar("_Asked", bound=Form)


@dataclass
class Shop:
    """What the page serves: a folder of patterns, and a desk."""

    folder: Path
    limits: Limits = field(default_factory=Limits)
    desk: Desk = field(default_factory=Desk)
    jobs: Jobs = field(default_factory=Jobs)
    decoding: threading.Lock = field(default_factory=threading.Lock)
    sending: int = 0


def page(shop: Shop, door: Door) -> ASGIApp:
    """The whole application, guarded."""
    handlers: dict[Any, Callable[[Request, Any], Response | Awaitable[Response]]] = {
        HTTPException: _refused,
        DigitizeError: _impossible,
        Exception: _unexpected,
    }
    app = Starlette(routes=_routes(shop), exception_handlers=handlers)
    return Guard(app, door)


def _refused(request: Request, error: HTTPException) -> Response:
    remedy = error.remedy if isinstance(error, Refused) else "use the page itself"
    return JSONResponse(fault(error.detail, remedy), error.status_code, dict(error.headers or {}))


def _impossible(request: Request, error: DigitizeError) -> Response:
    return JSONResponse(fault(error.problem, error.remedy), 415 if isinstance(error, PhotoError) else 422)


def _unexpected(request: Request, error: Exception) -> Response:
    told = f"Something unexpected went wrong ({type(error).__name__}: {error})"
    return JSONResponse(fault(told, "please report it"), 500)


def _routes(shop: Shop) -> list[BaseRoute]:
    desk = "/api/desk/{ident}"

    def get(path: str, answer: Callable[[Request], Response]) -> Route:
        return Route(path, answer)  # Starlette runs plain functions in threads

    def post(path: str, form: type[_Asked], answer: Callable[[Work, _Asked], Any]) -> Route:
        async def endpoint(request: Request) -> Response:
            asked = await _form(request, form, shop.limits)
            work = shop.desk.get(request.path_params["ident"])
            return await run_in_threadpool(_locked, work, lambda it: answer(it, asked))

        return Route(path, endpoint, methods=["POST"])

    def work_of(request: Request) -> Work:
        return shop.desk.get(request.path_params["ident"])

    async def photos(request: Request) -> Response:
        return await _photo(shop, request)

    async def trace(request: Request) -> Response:
        asked = await _form(request, Trace, shop.limits)
        work = work_of(request)
        setup = await run_in_threadpool(actions.setup_of, asked, work)
        return _begun(shop, work, asked, partial(actions.trace_work, work, setup, asked))

    async def join(request: Request) -> Response:
        asked = await _form(request, Join, shop.limits)
        work = work_of(request)
        setup = await run_in_threadpool(actions.setup_of, asked, work)
        whole = Work(name=f"{work.name}, joined")
        do = partial(rebuilding.join_pieces, shop.desk, work, whole, setup, asked)
        return _begun(shop, work, asked, do, whole.ident)

    async def cancel(request: Request) -> Response:
        await _form(request, Nothing, shop.limits)
        if job := shop.jobs.get(request.path_params["job"]):
            job.cancel()
        return JSONResponse({})

    async def close(request: Request) -> Response:
        await _form(request, Nothing, shop.limits)
        shop.desk.close(request.path_params["ident"])
        return JSONResponse({})

    async def open_kept(request: Request) -> Response:
        await _form(request, Nothing, shop.limits)
        work = await run_in_threadpool(actions.opened_work, shop.folder, request.path_params["stem"])
        return JSONResponse(scenes.work_values(shop.desk.put(work)), 201)

    def doc(work: Work) -> Any:
        job = shop.jobs.begun(work.ident)
        return scenes.work_values(work) | ({"job": scenes.job_values(job)} if job else {})

    def tile(request: Request) -> Response:
        work, at = work_of(request), tuple(request.path_params[k] for k in "zxy")
        found = work.shot and work.shot.tiles.get(at)
        if not found:
            raise Refused(404, "There is no such tile", "use the page itself")
        return Response(found, media_type="image/jpeg", headers=LASTING)

    def job_stream(request: Request) -> Response:
        job = shop.jobs.get(request.path_params["job"])
        if job is None:
            raise Refused(404, "That work is not known any more", "begin it again")
        return StreamingResponse(told(lambda: job.state), media_type="text/event-stream", headers=FRESH)

    def edit(work: Work, asked: Edit) -> Any:
        if asked.trial:
            return _trial(work, asked)
        if asked.do in ("undo", "redo"):
            work.step(-1 if asked.do == "undo" else 1)
        else:
            work.put(changed(work, asked))
        return scenes.edited_values(work)

    def grain(work: Work, asked: Grain) -> Any:
        work.put(replace(work.draft, pattern=grained(work, asked)))
        return scenes.edited_values(work)

    def plan(work: Work, asked: PlanAsked) -> Any:
        work.plan = actions.planned(work, asked)
        return scenes.plan_values(work, work.plan)

    def compare(work: Work, asked: CompareAsked) -> Any:
        work.comparison = actions.compared(shop.folder, work, asked)
        return scenes.comparison_values(work, work.comparison)

    def shop_told(request: Request) -> Response:
        rack = read_rack().cutters
        values = {
            "version": __version__,
            "folder": str(shop.folder),
            "lenses": list(lens_files(Path())),
            "papers": list(PAPERS),
            "species": sorted(SPECIES),
            "cutters": [{"name": c.name, "words": actions.cutter_words(c)} for c in rack],
        }
        return _json(values)

    def patterns(request: Request) -> Response:
        return _json(actions.listed(shop.folder, shop.desk, request.query_params))

    def sent(request: Request) -> Response:
        work, what = work_of(request), request.path_params["what"]
        with work.lock:
            found = actions.download(work, what, request.query_params)
        return _file(found)

    return [
        Route("/api/photos", photos, methods=["POST"]),
        get("/api/shop", shop_told),
        get("/api/desk", lambda r: _json({"docs": [scenes.brief(w) for w in shop.desk.works]})),
        get(desk, lambda r: _locked(work_of(r), doc)),
        get(f"{desk}/tiles/{{z:int}}-{{x:int}}-{{y:int}}.jpg", tile),
        Route(f"{desk}/close", close, methods=["POST"]),
        Route(f"{desk}/trace", trace, methods=["POST"]),
        Route(f"{desk}/join", join, methods=["POST"]),
        get("/api/jobs/{job}", job_stream),
        Route("/api/jobs/{job}/cancel", cancel, methods=["POST"]),
        post(f"{desk}/edit", Edit, edit),
        post(f"{desk}/rebuild", Rebuild, lambda work, a: scenes.work_values(rebuilding.made(shop.desk, work, a))),
        get(f"{desk}/rebuild", lambda r: _locked(work_of(r), rebuilding.offered)),
        post(f"{desk}/ruler", Ruler, lambda work, asked: {"words": ruled(work, asked)}),
        post(f"{desk}/grain", Grain, grain),
        post(f"{desk}/plan", PlanAsked, plan),
        post(f"{desk}/compare", CompareAsked, compare),
        post(f"{desk}/keep", Keep, lambda work, asked: actions.kept(shop.folder, work, asked)),
        post(f"{desk}/pages", Pages, actions.pages),
        get(f"{desk}/{{what}}", sent),
        get("/api/patterns", patterns),
        get("/api/patterns/{stem}", lambda r: _json(actions.recorded(shop.folder, r.path_params["stem"]))),
        get("/api/patterns/{stem}/{what}", lambda r: _file(actions.kept_picture(shop.folder, **r.path_params))),
        Route("/api/patterns/{stem}/open", open_kept, methods=["POST"]),
        Mount("/", StaticFiles(directory=STATIC, html=True)),
    ]


def _trial(work: Work, asked: Edit) -> Any:
    """The edge alone, as fast as it can be told; what cannot be is no error while a finger is still moving."""
    try:
        return {"outline": {"loops": scenes.loops_values(work, tried(work, asked))}}
    except DigitizeError as error:
        return {"refused": fault(error.problem, error.remedy)}


def _begun(shop: Shop, work: Work, asked: Trace, do: Callable[[Progress], None], gives: str | None = None) -> Response:
    """Long work begun on what lies on the desk, and what it will be known as."""
    job = shop.jobs.start(do, work.ident, gives)
    if job is None:
        raise Refused(503, "Too many photos are being traced", "wait until one of them is done", BUSY)
    work.told = asked.typed
    return JSONResponse(scenes.job_values(job), 202)


def _json(values: Any) -> Response:
    return JSONResponse(values, headers=FRESH)


def _locked(work: Work, told: Callable[[Work], Any]) -> Response:
    with work.lock:
        return _json(told(work))


def _file(found: actions.Sent) -> Response:
    headers = dict(FRESH)
    if found.name:
        headers["content-disposition"] = actions.disposition(found.name)
    return Response(found.data, media_type=found.kind, headers=headers)


async def _form(request: Request, form: type[_Asked], limits: Limits) -> _Asked:
    """What was asked for; raises Refused where it is not what the form takes."""
    try:
        return form.model_validate_json(await body_of(request, limits.body_bytes, limits) or b"{}")
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(step) for step in first["loc"]) or "the whole"
        raise Refused(
            422, f"The request cannot be understood at {where} ({first['msg']})", "use the page itself"
        ) from error


async def _photo(shop: Shop, request: Request) -> Response:
    """A photo that was sent lies on the desk, to be looked at at once."""
    if shop.sending >= shop.limits.uploads:
        raise Refused(503, "Other photos are being sent just now", "try again in a moment", BUSY)
    shop.sending += 1
    try:
        data = await body_of(request, shop.limits.photo_bytes, shop.limits)
        if not data:
            raise Refused(400, "The photo is empty", "choose another file")
        name = actions.photo_name(request.query_params.get("name", ""))
        work = await run_in_threadpool(_decoded, shop, data, name)
    finally:
        shop.sending -= 1
    return JSONResponse(scenes.work_values(shop.desk.put(work)), 201)


def _decoded(shop: Shop, data: bytes, name: str) -> Work:
    with shop.decoding:  # one at a time: a photo takes hundreds of megabytes until it is cut into tiles
        return actions.photo_work(photo_from(io.BytesIO(data), name), data, name)
