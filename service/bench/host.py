"""The bench control API, version 1, over a bench's guard, as a web application.

Every error, also one of the framework, is ``{"detail": "one plain sentence"}``. Without a token
only this machine can be meant, so other names in the ``Host`` header are refused: a web page that
points its own name to this machine must not reach the fans.
"""

import json
import threading
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, FastAPI, Header, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from acoustic.errors import EvenhushError, InputError
from service.bench.gate import Gate, error_answer
from service.bench.guard import BenchGuard
from service.clock import utc_now
from service.documents.bench_api import (
    BenchAnswer,
    DutyRequest,
    ErrorAnswer,
    LeaseAnswer,
    LeaseRequest,
    RenewalRequest,
    SoundFormatAnswer,
    StateAnswer,
    bench_answer,
    state_answer,
)
from service.documents.validation import problem_in
from service.errors import CaptureError, LeaseHeld, LeaseLost, LimitExceeded, SafetyStop
from service.ports import SoundSource

__all__ = ["Position", "create_app"]

Position = Literal["room", "calibrator"]
"""Where the simulated microphone is: in the room, or in the calibrator's opening."""

MAX_SOUND_FRAMES = 480_000
"""Most frames of simulated sound in one answer."""

STATUS_OF: Mapping[type[EvenhushError], int] = {
    LeaseHeld: 409,
    LeaseLost: 410,
    LimitExceeded: 422,
    InputError: 422,
    SafetyStop: 423,
    CaptureError: 503,
}
"""The one table of statuses for errors raised on purpose; subclasses go with their parents."""

FRAMEWORK_DETAIL: Mapping[int, str] = {
    400: "The body of the request cannot be read; send JSON in UTF-8.",
    404: "There is nothing at this address; the bench control API begins with /v1/bench.",
    405: "This address does not take this method; see the bench control API.",
}
"""Sentences for what the framework refuses."""


def create_app(
    guard: BenchGuard,
    *,
    token: str | None = None,
    sound: Callable[[Position], SoundSource] | None = None,
) -> FastAPI:
    """Make the web application of one bench.

    It calls the guard only when asked; who runs it also has to call `BenchGuard.tick`.

    Parameters
    ----------
    guard : BenchGuard
        The bench.
    token : str, optional
        What every call has to bring as ``Authorization: Bearer``; without it only calls to a
        loopback name are taken.
    sound : callable, optional
        For the simulated bench: gives the sound at a position, and is asked once for each.
        Whoever passes it closes the sources.

    Returns
    -------
    FastAPI
        The application.
    """
    app = FastAPI(
        title="Evenhush bench control API",
        version="1",
        openapi_url="/v1/openapi.json",
        # The pages that show the API load their scripts from elsewhere.
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    app.include_router(_control_routes(guard))
    if sound is not None:
        app.include_router(_sound_routes(sound))
    app.add_exception_handler(EvenhushError, _answer_error)
    app.add_exception_handler(RequestValidationError, _answer_invalid)
    app.add_exception_handler(HTTPException, _answer_refused)
    app.add_exception_handler(Exception, _answer_failure)
    app.add_middleware(Gate, token=token)
    return app


def _errors(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Describe which errors a route may answer."""
    return {status: {"model": ErrorAnswer} for status in statuses}


def _control_routes(guard: BenchGuard) -> APIRouter:
    """Make the routes of the bench control API."""
    router = APIRouter(prefix="/v1", responses=_errors(400, 401, 413))
    description = bench_answer(guard.description)
    lease_header = Annotated[str, Header(alias="Bench-Lease")]

    @router.get("/bench")
    def bench() -> BenchAnswer:
        """Say what the bench is."""
        return description

    @router.get("/state")
    def state() -> StateAnswer:
        """Say what the bench does now."""
        return state_answer(guard.state(), utc_now())

    @router.post("/lease", status_code=201, responses=_errors(409, 422, 423))
    def take_lease(request: LeaseRequest) -> LeaseAnswer:
        """Lease the bench."""
        granted = guard.grant(request.holder, request.seconds)
        return LeaseAnswer(lease=granted.lease, expires_in_s=granted.expires_in_s)

    @router.put("/lease", responses=_errors(410, 422, 423))
    def renew_lease(request: RenewalRequest, bench_lease: lease_header = "") -> LeaseAnswer:
        """Renew the lease."""
        granted = guard.renew(bench_lease, request.seconds)
        return LeaseAnswer(lease=granted.lease, expires_in_s=granted.expires_in_s)

    @router.delete("/lease", status_code=204, responses=_errors(410, 422))
    def end_lease(bench_lease: lease_header = "") -> None:
        """Give the lease back."""
        guard.release(bench_lease)

    @router.put("/duty", responses=_errors(410, 422, 423))
    def set_duty(request: DutyRequest, bench_lease: lease_header = "") -> StateAnswer:
        """Set duties, all or none."""
        return state_answer(guard.set_duty(bench_lease, request.duty_percent), utc_now())

    return router


def _sound_routes(sound: Callable[[Position], SoundSource]) -> APIRouter:
    """Make the routes through which another process hears a simulated bench."""
    router = APIRouter(prefix="/v1/simulated-sound", responses=_errors(400, 401, 413))
    sources: dict[Position, SoundSource] = {}
    one_reader = threading.Lock()

    def source_at(position: Position) -> SoundSource:
        if position not in sources:
            sources[position] = sound(position)
        return sources[position]

    @router.get("/format")
    def sound_format() -> SoundFormatAnswer:
        """Say how the sound is sampled."""
        with one_reader:
            source = source_at("room")
            return SoundFormatAnswer(rate_hz=source.rate_hz, channels=source.channels)

    @router.get(
        "",
        response_class=Response,
        responses={
            200: {"content": {"application/octet-stream": {}}},
            **_errors(422, 503),
        },
    )
    def take_sound(
        frames: Annotated[int, Query(ge=1, le=MAX_SOUND_FRAMES)], position: Position = "room"
    ) -> Response:
        """Take frames as interleaved little-endian float32; faults are named in a header."""
        with one_reader:
            block = source_at(position).read(frames)
        return Response(
            np.asarray(block.signal.samples, dtype="<f4").tobytes(),
            media_type="application/octet-stream",
            headers={"Sound-Faults": json.dumps(block.faults)},
        )

    return router


async def _answer_error(_: Request, error: Exception) -> Response:
    """Answer an error raised on purpose."""
    status = next((STATUS_OF[kind] for kind in type(error).__mro__ if kind in STATUS_OF), 500)
    return error_answer(status, str(error))


async def _answer_invalid(_: Request, error: Exception) -> Response:
    """Answer a request that does not fit the API."""
    assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for this class only
    return error_answer(422, f"The request cannot be used: {problem_in(error.errors(), skip=1)}.")


async def _answer_refused(_: Request, error: Exception) -> Response:
    """Answer what the framework refuses by itself."""
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class only
    answer = error_answer(error.status_code, FRAMEWORK_DETAIL.get(error.status_code, error.detail))
    answer.headers.update(error.headers or {})
    return answer


async def _answer_failure(_: Request, error: Exception) -> Response:
    """Answer a fault of this program; the framework logs it with its traceback."""
    return error_answer(500, f"The bench host failed ({type(error).__name__}); its log says more.")
