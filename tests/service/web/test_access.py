"""Who may come in, from where, and with what."""

import pytest
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from service.web.access import Sessions
from service.web.app import create_app

RIGHT = {"Authorization": "Bearer right"}


def test_without_a_token_only_this_machine_is_meant(made):
    """Another name in the Host header is refused, whatever address it leads to."""
    app = create_app(made.lab)
    for host, status in [("localhost", 200), ("127.0.0.1:8740", 200), ("[::1]", 200)]:
        assert (
            TestClient(app, base_url=f"http://{host}").get("/api/v1/status").status_code == status
        )
    answer = TestClient(app, base_url="http://lab.example").get("/api/v1/status")
    assert answer.status_code == 400
    assert "its own machine only" in answer.json()["detail"]


@pytest.mark.parametrize(
    "path", ["/api/v1/status", "/api/v1/matches", "/metrics", "/openapi.json", "/docs", "/nothing"]
)
def test_with_a_token_every_call_brings_it(stranger, path):
    """Without the token, or with another one, everything but the page's files is 401."""
    assert stranger.get(path).status_code == 401
    assert stranger.get(path, headers={"Authorization": "Bearer wrong"}).status_code == 401
    assert stranger.get(path, headers=RIGHT).status_code in {200, 404}


def test_a_browser_comes_in_with_a_cookie_and_goes(stranger):
    """The cookie that the token earns is enough until the browser goes, and cannot be read."""
    assert stranger.get("/").status_code == 200
    assert stranger.post("/api/v1/session", json={"token": "wrong"}).status_code == 401
    come_in = stranger.post("/api/v1/session", json={"token": "right"})
    assert come_in.status_code == 204
    cookie = come_in.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie

    assert stranger.get("/api/v1/status").status_code == 200
    assert stranger.delete("/api/v1/session").status_code == 204
    stranger.cookies.clear()
    stranger.cookies.set("evenhush_session", come_in.cookies["evenhush_session"])
    assert stranger.get("/api/v1/status").status_code == 401


def test_wrong_tokens_are_looked_at_ten_times_a_minute(stranger):
    """After ten wrong ones even the right one has to wait."""
    for _ in range(10):
        assert stranger.post("/api/v1/session", json={"token": "wrong"}).status_code == 401
    assert stranger.post("/api/v1/session", json={"token": "right"}).status_code == 429
    assert stranger.get("/api/v1/status", headers=RIGHT).status_code == 429


def test_sessions_end():
    """A session is worth nothing after its time, nor a guess after a minute."""
    now_s = [0.0]
    sessions = Sessions("right", lambda: now_s[0])
    session = sessions.begin()
    for _ in range(10):
        sessions.knows_token("wrong")
    assert sessions.closed
    now_s[0] = 61.0
    assert not sessions.closed
    assert sessions.knows(session)
    now_s[0] = 12 * 3600.0
    assert not sessions.knows(session)


def test_another_site_may_not_ask(ask):
    """A page from elsewhere reaches nothing, neither by a call nor by a socket."""
    elsewhere = {"Origin": "http://elsewhere.example"}
    assert ask.get("/api/v1/status", headers=elsewhere).status_code == 403
    assert ask.get("/api/v1/status", headers={"Origin": "http://localhost:8740"}).is_success
    with (
        pytest.raises(WebSocketDisconnect),
        ask.websocket_connect("ws://localhost:8740/api/v1/live", headers=elsewhere),
    ):
        pass


def test_a_socket_needs_the_token_too(stranger):
    """Live frames are for those who may come in."""
    with pytest.raises(WebSocketDisconnect), stranger.websocket_connect("/api/v1/live"):
        pass
    with stranger.websocket_connect("/api/v1/live", headers=RIGHT):
        pass


def test_long_bodies_are_refused(ask):
    """Nobody can fill the memory."""
    answer = ask.post("/api/v1/coolers", content=b" " * 300_000)
    assert answer.status_code == 413


def test_headers_protect_every_answer(ask):
    """The page may load nothing from elsewhere, also where an answer is an error."""
    for path in ("/", "/api/v1/status", "/nothing"):
        headers = ask.get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "script-src 'self'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
