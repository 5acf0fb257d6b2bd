from collections.abc import Callable, Iterator

import httpx
import pytest

from acoustic.errors import EvenhushError
from service.errors import BenchMisbehaved, BenchUnreachable, SettingsError
from service.http_calls import MAX_ANSWER_BYTES, HttpCaller

BASE = "http://127.0.0.1:8765"
PROGRAMMER_MISTAKES = {
    httpx.CookieConflict,
    httpx.StreamError,
    httpx.StreamConsumed,
    httpx.StreamClosed,
    httpx.ResponseNotRead,
    httpx.RequestNotRead,
}
"""Errors by which the library complains about its caller; they must stay visible."""


def caller(handler: Callable[[httpx.Request], httpx.Response], **options: object) -> HttpCaller:
    """Return a caller whose calls are answered by a function."""
    return HttpCaller(BASE, transport=httpx.MockTransport(handler), **options)  # type: ignore[arg-type] # passed on


def exceptions() -> list[type[Exception]]:
    """Every exception class that the HTTP library publishes."""
    public = (getattr(httpx, name) for name in httpx.__all__)
    return [c for c in public if isinstance(c, type) and issubclass(c, Exception)]


@pytest.mark.parametrize("kind", exceptions())
def test_every_error_of_the_library_is_translated(kind: type[Exception]) -> None:
    """Whatever the library raises about the world comes out as an error of ours, with its cause."""
    made: dict[type[Exception], Exception] = {
        httpx.HTTPStatusError: httpx.HTTPStatusError(
            "x", request=httpx.Request("GET", BASE), response=httpx.Response(500)
        ),
        httpx.StreamConsumed: httpx.StreamConsumed(),
        httpx.StreamClosed: httpx.StreamClosed(),
        httpx.ResponseNotRead: httpx.ResponseNotRead(),
        httpx.RequestNotRead: httpx.RequestNotRead(),
    }

    def fail(_: httpx.Request) -> httpx.Response:
        raise made.get(kind) or kind("some reason")

    with pytest.raises(Exception) as caught:  # noqa: PT011 - which one is judged below
        caller(fail, patience_s=0.01).call("GET", "/x")

    if kind in PROGRAMMER_MISTAKES:
        assert type(caught.value) is kind
    else:
        assert isinstance(caught.value, EvenhushError)
        assert BASE in str(caught.value)
        assert isinstance(caught.value.__cause__, kind)


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (httpx.ConnectError("[Errno 111] Connection refused"), BenchUnreachable),
        (httpx.ReadTimeout(""), BenchUnreachable),
        (httpx.RemoteProtocolError("illegal status line"), BenchMisbehaved),
        (httpx.UnsupportedProtocol("no such"), SettingsError),
    ],
)
def test_what_errors_become(error: Exception, expected: type[Exception]) -> None:
    """Nobody there, no HTTP there and no such address are three different things."""

    def fail(_: httpx.Request) -> httpx.Response:
        raise error

    with pytest.raises(expected):
        caller(fail, patience_s=0.01).call("GET", "/x")


@pytest.mark.parametrize(
    ("trouble", "repeat", "calls"),
    [
        (httpx.ConnectError("x"), True, 3),
        (httpx.ConnectError("x"), False, 3),
        (httpx.ConnectTimeout("x"), False, 3),
        (httpx.ReadError("x"), True, 3),
        (httpx.RemoteProtocolError("x"), True, 3),
        (httpx.Response(503), True, 3),
        (httpx.ReadError("x"), False, 1),
        (httpx.ReadTimeout("x"), False, 1),
        (httpx.RemoteProtocolError("x"), False, 1),
        (httpx.DecodingError("x"), True, 1),
        (httpx.Response(500), True, 1),
        (httpx.Response(503), False, 1),
    ],
)
def test_repetition(trouble: httpx.HTTPError | httpx.Response, *, repeat: bool, calls: int) -> None:
    """Short trouble is tried again, unless the call may have had its effect and must not twice."""
    made = 0

    def answer(_: httpx.Request) -> httpx.Response:
        nonlocal made
        made += 1
        if made == 3:
            return httpx.Response(200)
        if isinstance(trouble, httpx.Response):
            return trouble
        raise trouble

    try:
        status = caller(answer).call("PUT", "/x", repeat=repeat).status
    except EvenhushError:
        status = 0

    assert made == calls
    assert (status == 200) == (calls == 3)


def test_patience_is_bounded() -> None:
    """Trouble that does not pass is given up at the limit, with more than one attempt."""
    made = 0

    def fail(_: httpx.Request) -> httpx.Response:
        nonlocal made
        made += 1
        raise httpx.ConnectError("x")

    with pytest.raises(BenchUnreachable):
        caller(fail, patience_s=0.4).call("GET", "/x")

    assert 2 <= made <= 4  # pauses of 0.05, 0.1 and 0.2 s fit into it


def test_passing_status_that_stays_is_the_answer() -> None:
    """A 503 that does not pass is handed on with its body."""
    answer = caller(lambda _: httpx.Response(503, text="busy"), patience_s=0.06).call("GET", "/x")

    assert (answer.status, answer.content) == (503, b"busy")


def test_answer_without_end() -> None:
    """An answer that trickles in for ever is given up at the limit."""

    def trickle() -> Iterator[bytes]:
        while True:
            yield b" "

    with pytest.raises(BenchUnreachable, match="does not end"):
        caller(lambda _: httpx.Response(200, content=trickle()), patience_s=0.05).call("GET", "/")


def test_answer_that_is_too_long() -> None:
    """An answer that would fill the memory is refused."""
    chunk = bytes(2**20)

    def flood() -> Iterator[bytes]:
        for _ in range(MAX_ANSWER_BYTES // len(chunk) + 2):
            yield chunk

    with pytest.raises(BenchMisbehaved, match="too long"):
        caller(lambda _: httpx.Response(200, content=flood())).call("GET", "/")


def test_what_is_sent() -> None:
    """Path prefix, token, body, query and further headers arrive as given."""
    seen: list[httpx.Request] = []

    def answer(request: httpx.Request) -> httpx.Response:
        seen.append(request)
        return httpx.Response(200, content=b"ok", headers={"X-Y": "z"})

    base = "http://bench.example:81/rack/3/"
    with_token = HttpCaller(base, token="abc", transport=httpx.MockTransport(answer))  # noqa: S106 - invented
    result = with_token.call("PUT", "/v1/x", body=b"{}", headers={"A": "b"}, params={"frames": 5})

    assert str(seen[0].url) == "http://bench.example:81/rack/3/v1/x?frames=5"
    assert seen[0].headers["authorization"] == "Bearer abc"
    assert seen[0].headers["content-type"] == "application/json"
    assert seen[0].headers["a"] == "b"
    assert seen[0].content == b"{}"
    assert (result.status, result.content, result.headers["x-y"]) == (200, b"ok", "z")


@pytest.mark.parametrize(
    "base_url",
    [
        "",
        "south",
        "127.0.0.1:8765",
        "ftp://127.0.0.1",
        "http://",
        "http://127.0.0.1:99999",
        "http://[::1",
        "http://u:p@127.0.0.1",
        "http://127.0.0.1/?x=1",
        "http://127.0.0.1/#x",
        "http://a..b",
        "http://" + "a" * 70,
        "http://\x00",
    ],
)
def test_unusable_address(base_url: str) -> None:
    """What is no web address is refused with an example, before any call."""
    with pytest.raises(SettingsError, match=r"no address of a bench; give one such as http://"):
        HttpCaller(base_url)


@pytest.mark.parametrize("token", ["", "two words", "schlüssel", "a\r\nX: y"])
def test_unusable_token(token: str) -> None:
    """A token that no header can carry is refused."""
    with pytest.raises(SettingsError, match="visible ASCII"):
        HttpCaller(BASE, token=token)
