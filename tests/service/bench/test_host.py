import asyncio
import json
from collections.abc import Callable
from typing import Any

import httpx
import numpy as np
import pytest
from bench_doubles import HandClock, InventedHardware, Ramp

import service.errors
from acoustic.errors import EvenhushError, InputError
from service.bench.guard import BenchGuard
from service.bench.host import STATUS_OF, Position, create_app

Call = Callable[..., httpx.Response]
GIVEN = "right"


def caller(guard: BenchGuard, **options: Any) -> Call:
    """Return a function that calls an application in this process, without sockets."""
    app = create_app(guard, **options)

    def call(method: str, path: str, base: str = "http://127.0.0.1:80", **rest: Any) -> Any:
        async def run() -> httpx.Response:
            transport = httpx.ASGITransport(app, raise_app_exceptions=False)
            async with httpx.AsyncClient(transport=transport, base_url=base) as client:
                return await client.request(method, path, **rest)

        return asyncio.run(run())

    return call


def detail(answer: httpx.Response) -> str:
    """Return the sentence of an error, after checking that it has the one shape."""
    document = answer.json()
    assert answer.headers["content-type"] == "application/json"
    assert list(document) == ["detail"]
    assert isinstance(document["detail"], str)
    assert document["detail"].endswith(".")
    assert "\n" not in document["detail"]
    return document["detail"]


@pytest.fixture
def hardware() -> InventedHardware:
    """A fan and a pump."""
    return InventedHardware()


@pytest.fixture
def clock() -> HandClock:
    """Time, moved by hand."""
    return HandClock()


@pytest.fixture
def guard(hardware: InventedHardware, clock: HandClock) -> BenchGuard:
    """A guard over them."""
    return BenchGuard(hardware, clock=clock)


@pytest.fixture
def call(guard: BenchGuard) -> Call:
    """Call the application of a bench without a token."""
    return caller(guard)


def lease_of(call: Call) -> dict[str, str]:
    """Lease the bench; return the header that shows it."""
    answer = call("POST", "/v1/lease", json={"holder": "test", "seconds": 15})
    assert answer.status_code == 201
    return {"Bench-Lease": answer.json()["lease"]}


def test_bench_as_published(call: Call) -> None:
    """The description is exactly what the API says."""
    answer = call("GET", "/v1/bench")

    assert answer.status_code == 200
    assert answer.json() == {
        "bench": "south",
        "api": 1,
        "actuators": {
            "fan": {
                "role": "fan",
                "min_duty_percent": 15,
                "max_duty_percent": 100,
                "tachometer": True,
            },
            "pump": {
                "role": "pump",
                "min_duty_percent": 40,
                "max_duty_percent": 90,
                "tachometer": True,
            },
        },
        "temperatures": {"processor": {"limit_c": 90}},
        "lease_max_s": 60,
    }


def test_a_lease_from_taking_to_giving_back(call: Call, hardware: InventedHardware) -> None:
    """The whole life of a lease has the published statuses and shapes."""
    taken = call("POST", "/v1/lease", json={"holder": "test", "seconds": 15})
    assert taken.status_code == 201
    assert set(taken.json()) == {"lease", "expires_in_s"}
    header = {"Bench-Lease": taken.json()["lease"]}

    renewed = call("PUT", "/v1/lease", json={"seconds": 20}, headers=header)
    assert (renewed.status_code, renewed.json()["expires_in_s"]) == (200, 20)

    duty = {"duty_percent": {"fan": 43.0, "pump": 80}}
    state = call("PUT", "/v1/duty", json=duty, headers=header)
    assert state.status_code == 200
    assert state.json() | {"time": ""} == {
        "time": "",
        "control": "leased",
        "why": None,
        "actuators": {
            "fan": {"duty_percent": 43, "rpm": 860},
            "pump": {"duty_percent": 80, "rpm": 1600},
        },
        "temperatures_c": {"processor": 50, "room": 21},
    }
    assert state.json()["time"].endswith("Z")
    assert set(call("GET", "/v1/state").json()) == set(state.json())

    ended = call("DELETE", "/v1/lease", headers=header)
    assert (ended.status_code, ended.content) == (204, b"")
    assert hardware.manual == {}
    assert call("GET", "/v1/state").json()["control"] == "own"


def test_second_holder_gets_409(call: Call) -> None:
    """While one holds the bench, another is told who."""
    lease_of(call)

    answer = call("POST", "/v1/lease", json={"holder": "other", "seconds": 15})

    assert answer.status_code == 409
    assert "leased by test" in detail(answer)


@pytest.mark.parametrize("headers", [{}, {"Bench-Lease": "guess"}, {"Bench-Lease": b"\xfc"}])
@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("PUT", "/v1/lease", {"seconds": 15}),
        ("PUT", "/v1/duty", {"duty_percent": {"fan": 43}}),
        ("DELETE", "/v1/lease", None),
    ],
)
def test_wrong_lease_gets_410(
    call: Call, method: str, path: str, body: object, headers: dict[str, str | bytes]
) -> None:
    """Without the lease, with a guessed one or with one no header should carry, it is 410."""
    lease_of(call)

    answer = call(method, path, json=body, headers=headers)

    assert answer.status_code == 410
    assert "take a new one" in detail(answer)


def test_lapsed_lease_gets_410(call: Call, clock: HandClock) -> None:
    """A lease whose time is over is as good as none."""
    header = lease_of(call)
    clock.now_s += 15

    answer = call("PUT", "/v1/duty", json={"duty_percent": {"fan": 43}}, headers=header)

    assert answer.status_code == 410


@pytest.mark.parametrize(
    ("duties", "words"),
    [
        ({"fan": 14}, "fan must be from 15 to 100 %, not 14 %"),
        ({"fan": 43, "pump": 95}, "pump must be from 40 to 90 %, not 95 %"),
        ({"heater": 43}, "no actuator 'heater'"),
        ({}, "duty_percent"),
        ({"fan": True}, "duty_percent.fan should be a valid number"),
        ({"fan": "43"}, "duty_percent.fan should be a valid number"),
    ],
)
def test_unusable_duty_gets_422(
    call: Call, hardware: InventedHardware, duties: dict[str, object], words: str
) -> None:
    """A duty outside the limits, or none at all, is 422 with the reason, and nothing is set."""
    answer = call("PUT", "/v1/duty", json={"duty_percent": duties}, headers=lease_of(call))

    assert answer.status_code == 422
    assert words in detail(answer)
    assert hardware.written == []


@pytest.mark.parametrize("number", [b"NaN", b"Infinity", b"1e999", b"1" * 5000])
def test_number_that_is_none_gets_422(call: Call, number: bytes) -> None:
    """What JSON libraries take for a number and is none is refused."""
    answer = call(
        "PUT",
        "/v1/duty",
        content=b'{"duty_percent":{"fan":' + number + b"}}",
        headers={"Content-Type": "application/json"} | lease_of(call),
    )

    assert answer.status_code in {400, 422}
    detail(answer)


def test_too_long_lease_gets_422(call: Call) -> None:
    """A longer lease than the bench grants is 422 with the limit."""
    answer = call("POST", "/v1/lease", json={"holder": "test", "seconds": 61})

    assert answer.status_code == 422
    assert "at most 60 s" in detail(answer)


def test_safe_bench_gets_423(call: Call, hardware: InventedHardware) -> None:
    """In the safe state neither leases nor duties are taken, and the reason is told."""
    header = lease_of(call)
    hardware.temperatures_c["processor"] = 91.0

    duty = call("PUT", "/v1/duty", json={"duty_percent": {"fan": 43}}, headers=header)
    lease = call("POST", "/v1/lease", json={"holder": "other", "seconds": 15})
    state = call("GET", "/v1/state").json()

    assert duty.status_code == lease.status_code == 423
    assert "91.0 °C" in detail(duty)
    assert "91.0 °C" in detail(lease)
    assert state["control"] == "safe"
    assert state["actuators"]["fan"]["duty_percent"] == 100
    assert state["actuators"]["pump"]["duty_percent"] == 90


@pytest.mark.parametrize(
    ("content", "headers", "statuses"),
    [
        (b'{"holder"', {"Content-Type": "application/json"}, {422}),
        (b"\xff\xfe\xfd", {"Content-Type": "application/json"}, {400, 422}),
        (b"[" * 60_000, {"Content-Type": "application/json"}, {400, 422}),
        (b'{"holder":"\\ud800","seconds":1}', {"Content-Type": "application/json"}, {422}),
        (b'{"holder":"x","seconds":1,"y":2}', {"Content-Type": "application/json"}, {422}),
        (b'{"holder":"x","seconds":1}', {"Content-Type": "text/plain"}, {422}),
        (b'{"holder":"x","seconds":1}', {}, {422}),
        (b"", {"Content-Type": "application/json"}, {422}),
        (b"[]", {"Content-Type": "application/json"}, {422}),
        (b" " * 70_000, {"Content-Type": "application/json"}, {413}),
    ],
)
def test_bad_body(call: Call, content: bytes, headers: dict[str, str], statuses: set[int]) -> None:
    """Broken JSON, another type, an unknown field or too much of it is refused in one sentence."""
    answer = call("POST", "/v1/lease", content=content, headers=headers)

    assert answer.status_code in statuses
    detail(answer)


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/", 404),
        ("GET", "/v1/bench/", 404),
        ("GET", "/docs", 404),
        ("GET", "/redoc", 404),
        ("GET", "/v1/simulated-sound", 404),
        ("POST", "/v1/bench", 405),
        ("DELETE", "/v1/state", 405),
    ],
)
def test_unknown_address_or_method(call: Call, method: str, path: str, status: int) -> None:
    """An unknown address or method has the same shape of error; the API has no pages."""
    answer = call(method, path)

    assert answer.status_code == status
    detail(answer)


def test_bug_gets_500(call: Call, guard: BenchGuard, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of the host itself is 500 in the same shape, without its inner text."""

    def fail() -> None:
        raise ZeroDivisionError("inner text")

    monkeypatch.setattr(guard, "state", fail)
    answer = call("GET", "/v1/state")

    assert answer.status_code == 500
    assert "inner text" not in detail(answer)


@pytest.mark.parametrize("path", ["/v1/bench", "/v1/openapi.json", "/nowhere"])
@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Authorization": "Bearer wrong"},
        {"Authorization": "Bearer"},
        {"Authorization": "Basic right"},
        {"Authorization": b"Bearer \xfc"},
    ],
)
def test_token(guard: BenchGuard, path: str, headers: dict[str, str | bytes]) -> None:
    """With a token every call without it is 401, and with it any host name will do."""
    call = caller(guard, token=GIVEN)

    refused = call("GET", path, headers=headers)
    assert refused.status_code == 401
    assert refused.headers["www-authenticate"] == "Bearer"
    detail(refused)

    allowed = call("GET", path, base="http://bench", headers={"Authorization": "Bearer right"})
    assert allowed.status_code != 401


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1", 200),
        ("127.0.0.1:8000", 200),
        ("localhost:8000", 200),
        ("[::1]:8000", 200),
        ("LOCALHOST", 200),
        ("bench.example", 400),
        ("127.0.0.1.example", 400),
        ("localhost.example", 400),
        ("192.168.1.2", 400),
        ("[::1", 400),
        ("", 400),
    ],
)
def test_host_header(call: Call, host: str, status: int) -> None:
    """Without a token only names of this machine are answered."""
    answer = call("GET", "/v1/bench", headers={"Host": host})

    assert answer.status_code == status
    if status != 200:
        detail(answer)


def test_every_error_of_a_guard_has_a_status() -> None:
    """No error that the guard or a sound raises on purpose falls through the table."""
    raised = {
        service.errors.LeaseHeld: 409,
        service.errors.LeaseLost: 410,
        service.errors.LimitExceeded: 422,
        InputError: 422,
        service.errors.SafetyStop: 423,
        service.errors.SoundEnded: 503,
        service.errors.CaptureStalled: 503,
    }

    assert {
        error: next(STATUS_OF[kind] for kind in error.__mro__ if kind in STATUS_OF)
        for error in raised
    } == raised
    assert all(issubclass(error, EvenhushError) for error in STATUS_OF)


def test_simulated_sound(guard: BenchGuard) -> None:
    """The sound of a simulated bench comes in order, at the position asked for, with its faults."""
    made: dict[str, Ramp] = {}

    def sound(position: Position) -> Ramp:
        assert position not in made
        return made.setdefault(position, Ramp(position))

    call = caller(guard, sound=sound)
    assert call("GET", "/v1/simulated-sound/format").json() == {"rate_hz": 48000, "channels": 2}
    first = call("GET", "/v1/simulated-sound", params={"frames": 5})
    second = call("GET", "/v1/simulated-sound", params={"frames": 7, "position": "room"})
    other = call("GET", "/v1/simulated-sound", params={"frames": 1, "position": "calibrator"})

    assert first.status_code == 200
    frames = np.frombuffer(first.content + second.content, "<f4").reshape(-1, 2)
    np.testing.assert_array_equal(frames[:, 0], np.arange(12) / 2**20)
    np.testing.assert_array_equal(frames[:, 1], -np.arange(12) / 2**20)
    assert json.loads(first.headers["sound-faults"]) == []
    assert json.loads(second.headers["sound-faults"]) == ["a fault: ümlaut"]
    np.testing.assert_array_equal(np.frombuffer(other.content, "<f4"), [0.5, -0.5])

    made["room"].stalled = True
    stalled = call("GET", "/v1/simulated-sound", params={"frames": 5})
    assert stalled.status_code == 503
    assert detail(stalled) == "The ramp stalled."


@pytest.mark.parametrize(
    "params",
    [{}, {"frames": 0}, {"frames": 480_001}, {"frames": "x"}, {"frames": 5, "position": "attic"}],
)
def test_unusable_sound_request(guard: BenchGuard, params: dict[str, object]) -> None:
    """A number of frames outside 1 to 480000 or an unknown position is 422 in one sentence."""
    answer = caller(guard, sound=Ramp)("GET", "/v1/simulated-sound", params=params)

    assert answer.status_code == 422
    detail(answer)
