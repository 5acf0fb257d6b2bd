"""Calls of the bench control API: only valid bodies go out, only valid answers are believed."""

from collections.abc import Mapping
from typing import NoReturn, TypeVar

import httpx
from pydantic import BaseModel, ValidationError

from acoustic.errors import EvenhushError, InputError
from service.documents.bench_api import ErrorAnswer
from service.documents.validation import problem_in
from service.errors import (
    BenchError,
    BenchMisbehaved,
    LeaseHeld,
    LeaseLost,
    LimitExceeded,
    SafetyStop,
)
from service.http_calls import HttpAnswer, HttpCaller

__all__ = ["BenchCalls", "request_body"]

ERROR_OF: Mapping[int, type[EvenhushError]] = {
    409: LeaseHeld,
    410: LeaseLost,
    422: LimitExceeded,
    423: SafetyStop,
}
"""The one table of errors for statuses; 401 is about the token, any other is misbehaviour."""

Answer = TypeVar("Answer", bound=BaseModel)


class BenchCalls:
    """Calls one bench; may be used from several threads.

    Parameters
    ----------
    base_url : str
        Where the API begins; may end in a path prefix.
    token : str or None
        What the bench asks for.
    patience_s : float
        How long one call may take with its repetitions, in seconds.
    transport : httpx.BaseTransport or None
        What carries the calls instead of the network.

    Raises
    ------
    SettingsError
        If the address or the token is unusable.
    """

    def __init__(
        self,
        base_url: str,
        *,
        token: str | None,
        patience_s: float,
        transport: httpx.BaseTransport | None,
    ) -> None:
        self._caller = HttpCaller(base_url, token=token, transport=transport)
        self._patience_s = patience_s
        self.where = f"The bench at {self._caller.base_url}"
        """Beginning of a sentence about it."""

    def call(
        self,
        method: str,
        path: str,
        expected: int,
        *,
        body: bytes | None = None,
        lease: str | None = None,
        repeat: bool = True,
        patience_s: float | None = None,
    ) -> HttpAnswer:
        """Make a call that has to be answered with one status.

        Parameters
        ----------
        method : str
            HTTP method.
        path : str
            What follows the base URL.
        expected : int
            The status that says it is done.
        body : bytes, optional
            JSON to send.
        lease : str, optional
            The secret of the lease that is used.
        repeat : bool, optional
            Whether the call may be repeated although it may have had its effect already.
        patience_s : float, optional
            A shorter limit in seconds for this call.

        Returns
        -------
        HttpAnswer
            The answer.

        Raises
        ------
        BenchError
            If it does not answer, or by another status says that it will not do it.
        """
        answer = self._caller.call(
            method,
            path,
            body=body,
            headers={"Bench-Lease": lease} if lease is not None else None,
            repeat=repeat,
            patience_s=min(self._patience_s, patience_s or self._patience_s),
        )
        if answer.status != expected:
            self._refuse(method, path, answer)
        return answer

    def _refuse(self, method: str, path: str, answer: HttpAnswer) -> NoReturn:
        """Raise what an unexpected status means."""
        said = _detail(answer)
        error = ERROR_OF.get(answer.status)
        if error is not None:
            raise error(f"The bench says: {said}")
        if answer.status == 401:
            raise BenchError(f"{self.where} asks for its token, or for another one: {said}")
        raise BenchMisbehaved(
            f"{self.where} answers {method} {path} with the unexpected status "
            f"{answer.status}: {said.rstrip('.')}."
        )

    def read(self, model: type[Answer], path: str, answer: HttpAnswer) -> Answer:
        """Take a document out of an answer.

        Parameters
        ----------
        model : type
            What it has to be.
        path : str
            What was asked.
        answer : HttpAnswer
            What came back.

        Returns
        -------
        model
            The document.

        Raises
        ------
        BenchMisbehaved
            If it is something else; the text says what is wrong.
        """
        try:
            return model.model_validate_json(answer.content)
        except ValidationError as error:
            raise BenchMisbehaved(
                f"{self.where} answers {path} with something that is not of the bench control "
                f"API: {problem_in(error.errors())}."
            ) from error

    def close(self) -> None:
        """Give the connections up; harmless when done twice."""
        self._caller.close()


def request_body(model: type[BaseModel], **fields: object) -> bytes:
    """Make the body of a request.

    Parameters
    ----------
    model : type
        What it has to be.
    **fields : object
        What it has to say.

    Returns
    -------
    bytes
        JSON.

    Raises
    ------
    InputError
        If no bench would accept that.
    """
    try:
        return model.model_validate(fields).model_dump_json().encode()
    except ValidationError as error:
        raise InputError(
            f"The bench cannot be asked for this: {problem_in(error.errors())}."
        ) from error


def _detail(answer: HttpAnswer) -> str:
    """Return the sentence of an error answer, or what came instead, fit for one line."""
    try:
        said = ErrorAnswer.model_validate_json(answer.content).detail
    except ValidationError:
        said = answer.content[:200].decode(errors="replace")
    line = " ".join("".join(c if c.isprintable() else " " for c in said).split())[:300]
    return line or "no reason given."
