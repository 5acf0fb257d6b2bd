"""The lab as a web application: API, live frames, metrics and the page."""

from typing import Annotated

from fastapi import APIRouter, FastAPI, Request, Response, WebSocket
from pydantic import BaseModel, ConfigDict, Field

from service.bench.gate import error_answer
from service.web.access import COOKIE, SESSION_S, Access, Sessions, session_in
from service.web.answers import add_error_answers, errors
from service.web.cooler_routes import cooler_routes, cooler_work_routes
from service.web.live_socket import FrameBytes, serve_live
from service.web.match_routes import match_routes
from service.web.metrics import LabMetrics
from service.web.page import page_routes
from service.web.room_routes import room_routes
from service.web.status_routes import status_routes
from service.web.work_routes import work_routes
from service.wiring.lab import Lab

__all__ = ["create_app"]

_TEXT = "text/plain; version=0.0.4; charset=utf-8"


class WayIn(BaseModel):
    """What lets a browser in."""

    model_config = ConfigDict(extra="forbid")

    token: Annotated[str, Field(min_length=1, max_length=500)]
    """The token."""


def create_app(lab: Lab, *, token: str | None = None) -> FastAPI:
    """Make the web application of one lab.

    Parameters
    ----------
    lab : Lab
        The lab, at work; whoever made it closes it.
    token : str, optional
        What every call has to bring; without it only calls to a loopback name are taken.

    Returns
    -------
    FastAPI
        The application.
    """
    app = FastAPI(
        title="Evenhush lab API",
        version="1",
        description="Everything the page shows and does. Levels are dB re 20 uPa.",
        # The framework's own pages load their scripts from elsewhere.
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    sessions = None if token is None else Sessions(token)
    api = APIRouter(prefix="/api/v1")
    for routes in (
        status_routes,
        work_routes,
        room_routes,
        cooler_routes,
        cooler_work_routes,
        match_routes,
    ):
        api.include_router(routes(lab))
    api.include_router(_way_in(sessions))
    app.include_router(api)
    app.include_router(page_routes())
    _add_live(app, lab)
    metrics = LabMetrics(lab)

    @app.get(
        "/metrics",
        response_class=Response,
        responses={200: {"content": {"text/plain": {}}}, **errors()},
    )
    def show_metrics() -> Response:
        """Show what a monitoring system reads."""
        return Response(metrics.text(), media_type=_TEXT)

    add_error_answers(app)
    app.add_middleware(Access, sessions=sessions, open_paths=_open_to_all)
    return app


def _open_to_all(method: str, path: str) -> bool:
    """Say whether a path is the page itself, which holds nothing, or the way in."""
    if method in {"GET", "HEAD"}:
        return path == "/" or (path.startswith("/static/") and not path.startswith("/static/docs"))
    return method == "POST" and path == "/api/v1/session"


def _add_live(app: FastAPI, lab: Lab) -> None:
    """Serve live frames to pages."""
    frames = FrameBytes(lab.live)

    @app.websocket("/api/v1/live")
    async def live(socket: WebSocket) -> None:
        """Serve one page."""
        await serve_live(socket, lab.live, frames)


def _way_in(sessions: Sessions | None) -> APIRouter:
    """Make the routes by which a browser comes in and goes."""
    router = APIRouter()

    @router.post("/session", status_code=204, responses=errors(422))
    def come_in(way: WayIn) -> Response:
        """Come in with the token; the answer sets a cookie. Without a token there is no need."""
        answer = Response(status_code=204)
        if sessions is None:
            return answer
        if sessions.closed:
            return error_answer(429, "There were too many wrong tokens; wait a minute.")
        if not sessions.knows_token(way.token):
            return error_answer(401, "This is not the token; it stands in the lab's configuration.")
        answer.set_cookie(
            COOKIE, sessions.begin(), max_age=round(SESSION_S), httponly=True, samesite="strict"
        )
        return answer

    @router.delete("/session", status_code=204, responses=errors())
    def go(request: Request) -> Response:
        """Go; the cookie is worth nothing any more."""
        if sessions is not None:
            sessions.end(session_in(request.headers))
        answer = Response(status_code=204)
        answer.delete_cookie(COOKIE)
        return answer

    return router
