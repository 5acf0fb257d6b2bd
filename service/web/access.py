"""Who may come in: token, cookie sessions, Host and Origin, length of a body, security headers.

Without a token only this machine can be meant, so other names in the ``Host`` header are refused:
a web page that points its own name to this machine must not reach the bench. With a token, every
call but the page's own files and the way in brings it, or the cookie that was given for it.
"""

import secrets
import time
from collections import deque
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.bench.gate import error_answer, is_loopback

__all__ = ["COOKIE", "MAX_BODY_BYTES", "SESSION_S", "Access", "Sessions", "session_in"]

COOKIE: Final = "evenhush_session"
"""Name of the cookie of a session."""
MAX_BODY_BYTES: Final = 256 * 1024
"""Longest body a request may have; a queue of two hundred coolers is a tenth of it."""
SESSION_S: Final = 12 * 3600.0
"""How long a browser may stay in; a working day."""
_MOST_SESSIONS: Final = 200
_MOST_GUESSES: Final = 10
"""Wrong tokens a minute before nobody is let in for the rest of it."""
_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; connect-src 'self'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
"""What the page may load: nothing from elsewhere, and no script but our files. Styles may stand in
elements, as the charting library and the drawings set them so."""
_HEADERS: Final = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "DENY",
}


class Sessions:
    """Browsers that have shown the token; kept in memory, so that a restart asks again.

    Parameters
    ----------
    token : str
        The token.
    clock : callable, optional
        Monotonic time in seconds.
    """

    def __init__(self, token: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._token = token.encode()
        self._clock = clock
        self._until_s: dict[str, float] = {}
        self._guesses: deque[float] = deque(maxlen=_MOST_GUESSES)

    @property
    def closed(self) -> bool:
        """Whether there were so many wrong tokens that no token is looked at for now."""
        full = len(self._guesses) == _MOST_GUESSES
        return full and self._clock() - self._guesses[0] < 60.0

    def knows_token(self, given: str) -> bool:
        """Compare a token; a wrong one counts as a guess."""
        if self.closed:
            return False
        known = secrets.compare_digest(given.encode(), self._token)
        if not known:
            self._guesses.append(self._clock())
        return known

    def begin(self) -> str:
        """Let a browser in; return what its cookie holds."""
        now_s = self._clock()
        self._until_s = {key: until for key, until in self._until_s.items() if until > now_s}
        while len(self._until_s) >= _MOST_SESSIONS:
            del self._until_s[min(self._until_s, key=lambda key: self._until_s[key])]
        session = secrets.token_urlsafe(32)
        self._until_s[session] = now_s + SESSION_S
        return session

    def knows(self, session: str) -> bool:
        """Say whether a cookie is one of ours and not over."""
        return self._until_s.get(session, 0.0) > self._clock()

    def end(self, session: str) -> None:
        """Let a browser out."""
        self._until_s.pop(session, None)


class Access:
    """Refuses a call before anything else looks at it, and adds the security headers to all.

    Parameters
    ----------
    app : ASGI application
        What stands behind.
    sessions : Sessions or None
        Who is known; None where no token is asked for, and only this machine is meant.
    open_paths : callable
        Says whether a path may be asked for without a token.
    """

    def __init__(
        self, app: ASGIApp, sessions: Sessions | None, open_paths: Callable[[str, str], bool]
    ) -> None:
        self._app = app
        self._sessions = sessions
        self._open_paths = open_paths

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one call."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if scope["type"] == "websocket":
            if refusal is None:
                await self._app(scope, receive, send)
            else:
                await receive()
                await send({"type": "websocket.close", "code": 1008})
            return
        if refusal is None:
            body = await _whole_body(receive)
            if body is None:
                refusal = error_answer(413, f"A request may have at most {MAX_BODY_BYTES} bytes.")
        shown = _with_headers(send)
        if refusal is not None:
            await refusal(scope, receive, shown)
            return
        waiting = [{"type": "http.request", "body": body, "more_body": False}]

        async def replay() -> Message:
            return waiting.pop() if waiting else await receive()

        await self._app(scope, replay, shown)

    def _refusal(self, scope: Scope) -> JSONResponse | None:
        """Return why this call is refused, if it is."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        origin = headers.get("origin")
        if self._sessions is None and not is_loopback(host):
            return error_answer(
                400, "This lab takes calls from its own machine only; set a token in [serve]."
            )
        if origin is not None and urlsplit(origin).netloc != host:
            return error_answer(403, "Another site asks for this; it must not.")
        if self._sessions is None or self._may_come_in(scope, headers):
            return None
        if self._sessions.closed:
            return error_answer(429, "There were too many wrong tokens; wait a minute.")
        refusal = error_answer(401, "This lab asks for its token as 'Authorization: Bearer TOKEN'.")
        refusal.headers["WWW-Authenticate"] = "Bearer"
        return refusal

    def _may_come_in(self, scope: Scope, headers: Headers) -> bool:
        """Say whether a call shows that it may."""
        assert self._sessions is not None  # noqa: S101 - asked before
        method = scope.get("method", "WEBSOCKET")
        if self._open_paths(method, scope["path"]):
            return True
        if self._sessions.knows(session_in(headers)):
            return True
        kind, _, given = headers.get("authorization", "").partition(" ")
        return kind.lower() == "bearer" and self._sessions.knows_token(given.strip())


def session_in(headers: Headers) -> str:
    """Return what the cookie of a call holds; empty where it has none."""
    try:
        cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return "" if cookie is None else cookie.value


async def _whole_body(receive: Receive) -> bytes | None:
    """Take the body of a call; None where it is too long."""
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return bytes(body)
        body += message.get("body", b"")
        if len(body) > MAX_BODY_BYTES:
            return None
        if not message.get("more_body", False):
            return bytes(body)


def _with_headers(send: Send) -> Send:
    """Add the security headers to an answer."""

    async def shown(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("Cache-Control", "no-store")
        await send(message)

    return shown
