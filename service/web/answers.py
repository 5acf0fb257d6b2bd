"""Errors as answers of one shape, and entries of the archive as they go out."""

from collections.abc import Mapping
from typing import Annotated, Any, Final, Generic, TypeVar

from fastapi import FastAPI, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from acoustic.errors import EvenhushError, InputError
from service.bench.gate import error_answer
from service.documents.bench_api import ErrorAnswer
from service.documents.validation import problem_in
from service.errors import (
    BenchError,
    CaptureError,
    LeaseHeld,
    LeaseLost,
    LimitExceeded,
    NotKept,
    SafetyStop,
    StorageError,
    WrongJobState,
)
from service.records.paging import Kept

__all__ = [
    "STATUS_OF",
    "Before",
    "Entry",
    "Limit",
    "ListAnswer",
    "add_error_answers",
    "entry",
    "errors",
]

STATUS_OF: Final[Mapping[type[EvenhushError], int]] = {
    NotKept: 404,
    WrongJobState: 409,
    LeaseHeld: 409,
    LeaseLost: 410,
    LimitExceeded: 422,
    InputError: 422,
    SafetyStop: 423,
    BenchError: 502,
    CaptureError: 503,
    StorageError: 503,
    EvenhushError: 500,
}
"""The one table of statuses for errors raised on purpose; subclasses go with their parents."""

_FRAMEWORK_DETAIL: Final[Mapping[int, str]] = {
    400: "The body of the request cannot be read; send JSON in UTF-8.",
    404: "There is nothing at this address; the lab's API begins with /api/v1 and is described "
    "at /docs.",
    405: "This address does not take this method; /docs says which it takes.",
}

Limit = Annotated[int, Query(ge=1, le=200, description="How many at most.")]
"""Length of a page of a list."""
Before = Annotated[
    str | None, Query(max_length=200, description="The `next` of the page before this one.")
]
"""Where a page of a list begins."""

Item = TypeVar("Item")


class ListAnswer(BaseModel, Generic[Item]):
    """A page of a list, newest first."""

    items: list[Item]
    """The entries."""
    next: str | None = None
    """What to give as `before` to get those that follow; null at the end."""


class Entry(BaseModel, Generic[Item]):
    """One entry of the archive with its document."""

    record: Item
    """The searched values."""
    document: dict[str, Any]
    """The document as it was published."""


def entry(kept: Kept[Any, Any]) -> dict[str, Any]:
    """Return an entry as it goes out."""
    return {"record": kept.record, "document": dict(kept.plain)}


def errors(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Describe which errors a route may answer, beside those that every route may."""
    return {status: {"model": ErrorAnswer} for status in (400, 401, 403, 413, 429, *statuses)}


def add_error_answers(app: FastAPI) -> None:
    """Give every error the one shape."""
    app.add_exception_handler(EvenhushError, _answer_error)
    app.add_exception_handler(RequestValidationError, _answer_invalid)
    app.add_exception_handler(HTTPException, _answer_refused)
    app.add_exception_handler(Exception, _answer_failure)


async def _answer_error(_: Request, error: Exception) -> Response:
    """Answer an error raised on purpose."""
    status = next(STATUS_OF[kind] for kind in type(error).__mro__ if kind in STATUS_OF)
    return error_answer(status, str(error))


async def _answer_invalid(_: Request, error: Exception) -> Response:
    """Answer a request that does not fit the API."""
    assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for this class only
    return error_answer(422, f"The request cannot be used: {problem_in(error.errors(), skip=1)}.")


async def _answer_refused(_: Request, error: Exception) -> Response:
    """Answer what the framework refuses by itself."""
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class only
    answer = error_answer(error.status_code, _FRAMEWORK_DETAIL.get(error.status_code, error.detail))
    answer.headers.update(error.headers or {})
    return answer


async def _answer_failure(_: Request, error: Exception) -> Response:
    """Answer a fault of this program; the framework logs it with its traceback."""
    return error_answer(500, f"The lab failed ({type(error).__name__}); its log says more.")
