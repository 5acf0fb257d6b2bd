import json
import socketserver
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from typing import Any

import httpx
import pytest
from bench_doubles import InventedHardware

from acoustic.errors import EvenhushError, InputError
from service.bench.client import BenchClient
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.errors import (
    BenchError,
    BenchMisbehaved,
    BenchUnreachable,
    LeaseHeld,
    LeaseLost,
    LimitExceeded,
    SafetyStop,
)

WAIT_S = 20.0
GIVEN = "right"
BENCH: dict[str, Any] = {
    "bench": "south",
    "api": 1,
    "actuators": {
        "fan": {"role": "fan", "min_duty_percent": 15, "max_duty_percent": 100, "tachometer": True}
    },
    "temperatures": {"processor": {"limit_c": 90}},
    "lease_max_s": 60,
}
STATE: dict[str, Any] = {
    "time": "2026-01-02T03:04:05Z",
    "control": "leased",
    "why": None,
    "actuators": {"fan": {"duty_percent": 43.0, "rpm": 1210}},
    "temperatures_c": {"processor": 61.2},
}
LEASE = {"lease": "abc", "expires_in_s": 15}

Handler = Callable[[httpx.Request], httpx.Response]


@pytest.fixture
def hardware() -> InventedHardware:
    """A fan and a pump."""
    return InventedHardware()


@pytest.fixture
def guard(hardware: InventedHardware) -> BenchGuard:
    """A guard over them."""
    return BenchGuard(hardware)


@pytest.fixture
def url(guard: BenchGuard) -> Iterator[str]:
    """Address of a real host over them."""
    with BenchServer(guard) as server:
        yield server.url


@pytest.fixture
def client(url: str) -> Iterator[BenchClient]:
    """A client of that host."""
    made = BenchClient(url)
    yield made
    made.close()


class InventedBench:
    """A bench that answers what a test wants, and remembers what it was asked."""

    def __init__(self, **answers: object) -> None:
        self.answers: dict[str, object] = {
            "GET /v1/bench": BENCH,
            "GET /v1/state": STATE,
            "POST /v1/lease": (201, LEASE),
            "PUT /v1/lease": LEASE,
            "PUT /v1/duty": STATE,
            "DELETE /v1/lease": (204, None),
        } | answers
        self.asked: list[str] = []
        self.bodies: list[bytes] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        """Answer one call."""
        call = f"{request.method} {request.url.path}"
        self.asked.append(call)
        self.bodies.append(request.content)
        answer = self.answers[call]
        if isinstance(answer, Exception):
            raise answer
        status, document = answer if isinstance(answer, tuple) else (200, answer)
        if isinstance(document, bytes):
            return httpx.Response(status, content=document)
        return httpx.Response(status, json=document)

    def client(self) -> BenchClient:
        """Return a client whose calls this bench answers."""
        transport = httpx.MockTransport(self)
        return BenchClient("http://127.0.0.1:8765", transport=transport, patience_s=0.05)


def changed(document: dict[str, Any], path: str, value: object) -> dict[str, Any]:
    """Return a copy of `document` with another value at a dotted path."""
    copy: dict[str, Any] = json.loads(json.dumps(document))
    *parents, last = path.split(".")
    inner = copy
    for parent in parents:
        inner = inner[parent]
    inner[last] = value
    return copy


def test_a_bench_over_real_http(client: BenchClient, guard: BenchGuard) -> None:
    """Description, state, lease, duties and giving back agree with the guard behind the host."""
    assert client.describe() == guard.description
    assert client.state() == guard.state()

    client.acquire("test")
    state = client.set_duty({"fan": 43, "pump": 80})
    assert state.control == "leased"
    assert state.actuators["fan"].duty_percent == 43
    assert state.actuators["pump"].rpm == 1600
    assert client.state() == guard.state()

    client.release()
    client.release()
    assert guard.state().control == "own"


def test_refusals_over_real_http(
    client: BenchClient, guard: BenchGuard, hardware: InventedHardware
) -> None:
    """Limits, a second holder and a bench that protects itself come as errors with the reason."""
    with pytest.raises(LeaseLost, match="take the lease first"):
        client.set_duty({"fan": 43})
    other = guard.grant("other", 30).lease
    with pytest.raises(LeaseHeld, match="leased by other"):
        client.acquire("test")
    guard.release(other)

    client.acquire("test")
    with pytest.raises(LimitExceeded, match="fan must be from 15 to 100 %"):
        client.set_duty({"fan": 14})
    with pytest.raises(InputError, match="duty_percent"):
        client.set_duty({})
    with pytest.raises(InputError, match=r"duty_percent\.fan"):
        client.set_duty({"fan": float("nan")})

    hardware.temperatures_c["processor"] = 95.0
    with pytest.raises(SafetyStop, match=r"95\.0 °C"):
        client.set_duty({"fan": 43})
    assert client.state().control == "safe"
    client.release()
    with pytest.raises(SafetyStop, match=r"95\.0 °C"):
        client.acquire("test")


def test_token_over_real_http(guard: BenchGuard) -> None:
    """The token opens the bench, and without it the user is told what is missing."""
    with (
        BenchServer(guard, token=GIVEN) as server,
        closing(BenchClient(server.url)) as stranger,
        closing(BenchClient(server.url, token=GIVEN)) as friend,
    ):
        with pytest.raises(BenchError, match="asks for its token"):
            stranger.describe()
        assert friend.describe().bench == "south"


def test_no_proxy_for_this_machine(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A proxy in the environment is not asked for a bench on this machine."""
    for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY", "all_proxy"):
        monkeypatch.setenv(name, "http://127.0.0.1:1")

    with closing(BenchClient(url)) as client:
        assert client.describe().bench == "south"


def test_lease_is_kept_alive(hardware: InventedHardware, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lease of 0.6 s is still ours after three renewals, each for what the bench allows."""
    guard = BenchGuard(hardware, lease_max_s=0.6)
    renewals: list[float] = []
    third = threading.Event()
    renew = guard.renew

    def counted(lease: str, seconds: float) -> object:
        granted = renew(lease, seconds)
        renewals.append(seconds)
        if len(renewals) == 3:
            third.set()
        return granted

    monkeypatch.setattr(guard, "renew", counted)
    with BenchServer(guard) as server, closing(BenchClient(server.url)) as client:
        client.acquire("test")
        assert third.wait(WAIT_S)
        assert client.set_duty({"fan": 43}).control == "leased"

    assert set(renewals) == {0.6}


def test_lost_lease_is_noticed_at_the_next_call(client: BenchClient, guard: BenchGuard) -> None:
    """A lease that the bench has taken away is lost at the next duty, and stays lost."""
    client.acquire("test")
    guard.release(client._held.secret)  # type: ignore[union-attr] # it was just taken

    for _ in range(2):
        with pytest.raises(LeaseLost):
            client.set_duty({"fan": 43})
    with pytest.raises(LeaseLost):
        client.state()


@pytest.mark.parametrize(
    ("trouble", "expected", "words"),
    [
        ((410, {"detail": "Gone."}), LeaseLost, "Gone"),
        ((423, {"detail": "Too hot."}), SafetyStop, "Too hot"),
        (httpx.ConnectError("refused"), LeaseLost, "could not be renewed in time"),
        ((500, {"detail": "Bug."}), LeaseLost, "could not be renewed in time"),
        ((200, b"<html>"), LeaseLost, "could not be renewed in time"),
    ],
)
def test_renewal_that_fails(trouble: object, expected: type[Exception], words: str) -> None:
    """A lease that cannot be renewed is lost, at once or when its time is over, with the reason."""
    bench = InventedBench(
        **{
            "PUT /v1/lease": trouble,
            "POST /v1/lease": (201, LEASE | {"expires_in_s": 0.2}),
        }
    )
    client = bench.client()
    client.acquire("test")
    client._held.join(WAIT_S)  # type: ignore[union-attr] # it was just taken

    with pytest.raises(expected, match=words):
        client.state()
    with pytest.raises(expected, match=words):
        client.set_duty({"fan": 43})
    assert "PUT /v1/duty" not in bench.asked
    client.close()
    assert bench.asked[-1] == "DELETE /v1/lease"


def test_short_trouble_does_not_lose_the_lease() -> None:
    """One renewal that does not get through is tried again within the life of the lease."""
    bench = InventedBench(**{"POST /v1/lease": (201, LEASE | {"expires_in_s": 0.6})})
    renewed = threading.Event()
    tries = 0

    def answer(request: httpx.Request) -> httpx.Response:
        nonlocal tries
        if f"{request.method} {request.url.path}" == "PUT /v1/lease":
            tries += 1
            if tries == 1:
                return httpx.Response(500)
            renewed.set()
        return bench(request)

    client = BenchClient("http://127.0.0.1:8765", transport=httpx.MockTransport(answer))
    client.acquire("test")
    assert renewed.wait(WAIT_S)

    assert client.set_duty({"fan": 43}).control == "leased"
    client.close()


@pytest.mark.parametrize(
    "trouble",
    [httpx.ReadTimeout("x"), httpx.ReadError("x"), (201, b"{"), (201, {"lease": "abc"})],
)
def test_unclear_answer_to_a_lease(trouble: object) -> None:
    """A lease that may have been granted is neither asked for twice nor renewed, so it lapses."""
    bench = InventedBench(**{"POST /v1/lease": trouble})
    client = bench.client()

    with pytest.raises((BenchUnreachable, BenchMisbehaved)):
        client.acquire("test")
    client.close()

    assert bench.asked == ["GET /v1/bench", "POST /v1/lease"]


@pytest.mark.parametrize(("longest", "asked"), [(60, 15), (15, 15), (4.5, 4.5)])
def test_length_of_the_lease(longest: float, asked: float) -> None:
    """The lease asked for is 15 s, or the longest that the bench grants."""
    bench = InventedBench(**{"GET /v1/bench": BENCH | {"lease_max_s": longest}})
    client = bench.client()
    client.acquire("a holder")
    client.close()

    assert json.loads(bench.bodies[1]) == {"holder": "a holder", "seconds": asked}


@pytest.mark.parametrize(
    "trouble",
    [
        (204, None),
        (410, {"detail": "Gone."}),
        (500, b"<html>"),
        (200, {}),
        httpx.ConnectError("x"),
        httpx.ReadTimeout("x"),
        ZeroDivisionError(),
    ],
)
def test_release_never_raises(trouble: object) -> None:
    """Whatever happens, giving back is attempted, ends the renewals and raises nothing."""
    bench = InventedBench(**{"DELETE /v1/lease": trouble})
    client = bench.client()
    client.acquire("test")

    client.release()
    client.release()

    assert "DELETE /v1/lease" in bench.asked
    with pytest.raises(LeaseLost):
        client.set_duty({"fan": 43})
    client.close()


@pytest.mark.parametrize(
    ("answer", "expected", "words"),
    [
        ((401, {"detail": "Who are you?"}), BenchError, "asks for its token.*Who are you"),
        ((409, {"detail": "Held."}), LeaseHeld, "Held"),
        ((410, {"detail": "Gone."}), LeaseLost, "Gone"),
        ((422, {"detail": "Too much."}), LimitExceeded, "Too much"),
        ((423, {"detail": "Hot."}), SafetyStop, "Hot"),
        ((404, {"detail": "Not Found"}), BenchMisbehaved, "GET /v1/state.*404: Not Found"),
        ((500, b"<html>\n\x1b[31mOops</html>"), BenchMisbehaved, r"500: <html> \[31mOops</html>"),
        ((418, b""), BenchMisbehaved, "418: no reason given"),
        ((307, b""), BenchMisbehaved, "307"),
        ((202, STATE), BenchMisbehaved, "202"),
        ((500, {"detail": 5}), BenchMisbehaved, "500"),
    ],
)
def test_statuses(answer: object, expected: type[Exception], words: str) -> None:
    """Each status becomes the error that the API means by it, on one line; others misbehaviour."""
    with pytest.raises(expected, match=words) as caught:
        InventedBench(**{"GET /v1/state": answer}).client().state()

    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("call", "document", "words"),
    [
        ("GET /v1/bench", b"<html>", "it is not JSON"),
        ("GET /v1/bench", [], "the whole should be"),
        ("GET /v1/bench", changed(BENCH, "api", 2), "api is 2"),
        ("GET /v1/bench", changed(BENCH, "actuators.fan.role", "heater"), "actuators.fan.role"),
        ("GET /v1/bench", BENCH | {"lease_max_s": True}, "lease_max_s"),
        ("GET /v1/state", changed(STATE, "actuators.fan.duty_percent", "43"), "duty_percent"),
        ("GET /v1/state", changed(STATE, "actuators", {}), "leaves fan out"),
        ("GET /v1/state", changed(STATE, "temperatures_c", {}), "leaves processor out"),
        ("GET /v1/state", changed(STATE, "temperatures_c.processor", None), "processor"),
        ("PUT /v1/duty", changed(STATE, "actuators", {}), "leaves fan out"),
        ("PUT /v1/duty", b"", "JSON"),
        ("POST /v1/lease", (201, {"lease": "a b", "expires_in_s": 5}), "lease"),
        ("POST /v1/lease", (201, {"lease": "ab", "expires_in_s": -5}), "expires_in_s"),
    ],
)
def test_misbehaviour(call: str, document: object, words: str) -> None:
    """An answer that is not of the API is never used, and it is said what is wrong with it."""
    client = InventedBench(**{call: document}).client()

    def use() -> None:
        client.describe()
        client.acquire("test")
        client.set_duty({"fan": 43})
        client.state()

    with pytest.raises(BenchMisbehaved, match=words):
        use()
    client.close()


def test_safe_bench_may_leave_out_a_failed_sensor() -> None:
    """In the safe state a temperature may be missing, as its failure may be the reason."""
    safe = STATE | {"control": "safe", "why": "a sensor failed", "temperatures_c": {}}
    client = InventedBench(**{"GET /v1/state": safe}).client()
    client.describe()

    assert client.state().why == "a sensor failed"


def test_bench_that_takes_the_lease_when_it_protects_itself() -> None:
    """If a lost lease is due to the safe state, the reason for that state is what is told."""
    bench = InventedBench(
        **{
            "PUT /v1/duty": (410, {"detail": "Gone."}),
            "GET /v1/state": STATE | {"control": "safe", "why": "too hot"},
        }
    )
    client = bench.client()
    client.acquire("test")

    with pytest.raises(SafetyStop, match="too hot"):
        client.set_duty({"fan": 43})
    client.close()


def test_unusable_holder() -> None:
    """A holder that is no printable text is refused before any lease is asked for."""
    bench = InventedBench()
    with pytest.raises(InputError, match="holder must be printable"):
        bench.client().acquire("two\nlines")

    assert bench.asked == ["GET /v1/bench"]


def test_nobody_there() -> None:
    """A dead bench is one sentence with its address and what to do."""
    with (
        closing(BenchClient("http://127.0.0.1:1", patience_s=0.1)) as client,
        pytest.raises(BenchUnreachable, match=r"at http://127\.0\.0\.1:1 cannot be reached"),
    ):
        client.describe()


def test_something_else_there() -> None:
    """What answers with another protocol is no bench, and says so as an error of ours."""

    class Greeting(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            """Speak another protocol."""
            self.request.sendall(b"220 mail ready\r\n")

    with socketserver.TCPServer(("127.0.0.1", 0), Greeting) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            address = f"http://127.0.0.1:{server.server_address[1]}"
            with (
                closing(BenchClient(address, patience_s=0.2)) as client,
                pytest.raises(EvenhushError, match=address),
            ):
                client.describe()
        finally:
            server.shutdown()
            thread.join(WAIT_S)
