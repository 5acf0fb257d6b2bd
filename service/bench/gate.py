"""What stands before the bench host: Host header, token and length of a call."""

import ipaddress
import secrets
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["MAX_BODY_BYTES", "Gate", "error_answer", "is_loopback"]

MAX_BODY_BYTES = 64 * 1024
"""Longest body that a request may have; a duty for a hundred fans is a tenth of it."""


def error_answer(status: int, detail: str) -> JSONResponse:
    """Make the one shape that every error has.

    Parameters
    ----------
    status : int
        HTTP status.
    detail : str
        One plain sentence.

    Returns
    -------
    JSONResponse
        The answer.
    """
    return JSONResponse({"detail": detail}, status)


class Gate:
    """Refuses a call before anything else looks at it.

    Parameters
    ----------
    app : ASGI application
        What stands behind.
    token : str or None
        What every call has to bring as ``Authorization: Bearer``; with None the Host header must
        name this machine.
    """

    def __init__(self, app: ASGIApp, token: str | None) -> None:
        self._app = app
        self._token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one call."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(headers)
        body = bytearray()
        more = refusal is None
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                return
            body += message.get("body", b"")
            more = message.get("more_body", False)
            if len(body) > MAX_BODY_BYTES:
                refusal = error_answer(413, f"A request may have at most {MAX_BODY_BYTES} bytes.")
                break
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        waiting = [{"type": "http.request", "body": bytes(body), "more_body": False}]

        async def replay() -> Message:
            return waiting.pop() if waiting else await receive()

        await self._app(scope, replay, send)

    def _refusal(self, headers: Headers) -> JSONResponse | None:
        """Return why this call is refused, if it is."""
        if self._token is None:
            if is_loopback(headers.get("host", "")):
                return None
            return error_answer(
                400, "This bench takes calls from its own machine only; set a token."
            )
        kind, _, given = headers.get("authorization", "").partition(" ")
        known = secrets.compare_digest(given.strip().encode(), self._token.encode())
        if kind.lower() == "bearer" and known:
            return None
        refusal = error_answer(
            401, "This bench asks for its token as 'Authorization: Bearer TOKEN'."
        )
        refusal.headers["WWW-Authenticate"] = "Bearer"
        return refusal


def is_loopback(host_header: str) -> bool:
    """Say whether a Host header means this machine.

    Parameters
    ----------
    host_header : str
        The header.

    Returns
    -------
    bool
        Whether it does.
    """
    try:
        name = urlsplit(f"//{host_header}").hostname or ""
    except ValueError:
        return False
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False
