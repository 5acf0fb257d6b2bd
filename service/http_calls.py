"""Calls to a bench over HTTP: limited in time and size, repeated where that does no harm.

The one border to the HTTP library: behind it there are only answers and errors of our own.
"""

import contextlib
import ipaddress
import re
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass

import httpx

from acoustic.errors import EvenhushError
from service.errors import BenchMisbehaved, BenchUnreachable, SettingsError

__all__ = ["HttpAnswer", "HttpCaller", "translated"]

MAX_ANSWER_BYTES = 8 * 2**20
"""Longest answer that is read: 10 s of sound in 4 channels."""
PASSING_STATUSES = frozenset({502, 503, 504})
"""Statuses by which something between says that the bench cannot be reached just now."""
PASSING = (httpx.NetworkError, httpx.TimeoutException, httpx.RemoteProtocolError)
"""Errors that may be over at the next attempt; the last is a connection that was cut."""
UNSENT = (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout)
"""Errors before anything was sent."""
FIRST_PAUSE_S = 0.05
"""How long to wait before the first repetition; doubled for each further one."""


@dataclass(frozen=True, slots=True)
class HttpAnswer:
    """What came back."""

    status: int
    """HTTP status."""
    content: bytes
    """Body, decompressed."""
    headers: Mapping[str, str]
    """Headers; names in any case."""


class HttpCaller:
    """Calls one base URL; may be used from several threads.

    Parameters
    ----------
    base_url : str
        Where the API begins; may end in a path prefix.
    token : str, optional
        Sent as ``Authorization: Bearer``.
    patience_s : float, optional
        How long a call may take with all its repetitions, in seconds.
    transport : httpx.BaseTransport, optional
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
        token: str | None = None,
        patience_s: float = 5.0,
        transport: httpx.BaseTransport | None = None,
    ) -> None:
        host = _checked_host(base_url)
        if token is not None and not re.fullmatch(r"[\x21-\x7e]+", token):
            raise SettingsError(
                "The bench's token must be visible ASCII characters without spaces; check it."
            )
        self.base_url = base_url.rstrip("/")
        """Where the API begins, without a slash at its end."""
        self._patience_s = patience_s
        self._closed = threading.Event()
        self._client = httpx.Client(
            headers={"Authorization": f"Bearer {token}"} if token is not None else None,
            # A proxy set for the world outside must not be asked for a bench on this machine.
            trust_env=not _is_loopback(host),
            transport=transport,
        )

    def call(
        self,
        method: str,
        path: str,
        *,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        params: Mapping[str, str | int] | None = None,
        repeat: bool = True,
        patience_s: float | None = None,
    ) -> HttpAnswer:
        """Make a call.

        Parameters
        ----------
        method : str
            HTTP method.
        path : str
            What follows the base URL, beginning with a slash.
        body : bytes, optional
            JSON to send.
        headers : mapping of str to str, optional
            Headers to send.
        params : mapping, optional
            Query parameters.
        repeat : bool, optional
            Whether the call may be repeated although it may have had its effect already.
        patience_s : float, optional
            Another limit in seconds for this call.

        Returns
        -------
        HttpAnswer
            The answer, whatever its status.

        Raises
        ------
        BenchUnreachable
            If there is no answer in time.
        BenchMisbehaved
            If the answer is no HTTP, or too long.
        SettingsError
            If the address cannot be called.
        """
        deadline_s = time.monotonic() + (self._patience_s if patience_s is None else patience_s)
        request_headers = dict(headers or {})
        if body is not None:
            request_headers["Content-Type"] = "application/json"
        pause_s = FIRST_PAUSE_S
        while True:
            request = self._client.build_request(
                method,
                self.base_url + path,
                content=body,
                headers=request_headers,
                params=params,
                timeout=max(deadline_s - time.monotonic(), FIRST_PAUSE_S),
            )
            outcome = self._attempt(request, deadline_s)
            again = outcome.passing and (repeat or outcome.unsent)
            if not again or time.monotonic() + pause_s >= deadline_s or self._closed.wait(pause_s):
                return outcome.result()
            pause_s *= 2

    def close(self) -> None:
        """Give connections up; harmless when done twice."""
        self._closed.set()
        self._client.close()

    def _attempt(self, request: httpx.Request, deadline_s: float) -> "_Outcome":
        """Make a call once, and give up on an answer that trickles in for ever."""
        try:
            response = self._client.send(request, stream=True)
            with contextlib.closing(response):
                content = bytearray()
                for chunk in response.iter_bytes():
                    # An answer in one piece counts however late it came.
                    if content and time.monotonic() > deadline_s:
                        raise httpx.ReadTimeout("the answer does not end")
                    content += chunk
                    if len(content) > MAX_ANSWER_BYTES:
                        raise httpx.DecodingError("the answer is too long")
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            ours = translated(error, self.base_url)
            ours.__cause__ = error
            return _Outcome(
                ours, passing=isinstance(error, PASSING), unsent=isinstance(error, UNSENT)
            )
        answer = HttpAnswer(response.status_code, bytes(content), response.headers)
        return _Outcome(answer, passing=answer.status in PASSING_STATUSES, unsent=False)


@dataclass(frozen=True, slots=True)
class _Outcome:
    """How one attempt went."""

    what: HttpAnswer | EvenhushError
    """The answer, or why there is none."""
    passing: bool
    """Whether the next attempt may go better."""
    unsent: bool
    """Whether the call surely had no effect."""

    def result(self) -> HttpAnswer:
        """Return the answer, or raise what came instead of it."""
        if isinstance(self.what, EvenhushError):
            raise self.what
        return self.what


def translated(error: Exception, base_url: str) -> EvenhushError:
    """Turn an error of the HTTP library into one of ours.

    Parameters
    ----------
    error : Exception
        What the library raised.
    base_url : str
        What was called.

    Returns
    -------
    EvenhushError
        What to raise instead.
    """
    reason = str(error).rstrip(".") or type(error).__name__
    match error:
        case httpx.TimeoutException():
            return BenchUnreachable(
                f"The bench at {base_url} does not answer in time ({reason}); "
                "check that its host is running and not overloaded."
            )
        case httpx.NetworkError() | httpx.ProxyError():
            return BenchUnreachable(
                f"The bench at {base_url} cannot be reached ({reason}); "
                "check the address and that its host is running."
            )
        case httpx.InvalidURL() | httpx.UnsupportedProtocol():
            return SettingsError(
                f"The bench address {base_url} cannot be called ({reason}); "
                "give one such as http://127.0.0.1:8750."
            )
        case _:
            return BenchMisbehaved(
                f"What answers at {base_url} is no bench ({reason}); check the address."
            )


def _checked_host(base_url: str) -> str:
    """Return the host of a base URL, or raise if it is none."""
    try:
        url = httpx.URL(base_url)
        usable = (
            url.scheme in {"http", "https"}
            and bool(url.host.encode("idna"))
            and 0 < (url.port or 80) <= 65535
            and not (url.query or url.fragment or url.userinfo)
        )
    except (httpx.InvalidURL, UnicodeError):
        usable = False
    if not usable:
        raise SettingsError(
            f"{base_url!r} is no address of a bench; give one such as http://127.0.0.1:8750."
        )
    return url.host


def _is_loopback(host: str) -> bool:
    """Say whether a host name means this machine."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
