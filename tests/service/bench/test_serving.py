import os
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

import httpx
import pytest
from bench_doubles import InventedHardware

from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.errors import BenchError, HardwareFault, SettingsError

WAIT_S = 20.0
GIVEN = "right"


class SignallingHardware(InventedHardware):
    """Hardware that tells when it was handed back."""

    def __init__(self) -> None:
        super().__init__()
        self.handed_back = threading.Event()

    def hand_back(self) -> None:
        """Hand back and tell."""
        super().hand_back()
        self.handed_back.set()


def get(url: str) -> httpx.Response:
    """Ask without any proxy."""
    return httpx.get(url, trust_env=False)


def test_serves_on_a_free_port_and_stops() -> None:
    """The bench answers over real HTTP at the port told, and not any more after leaving."""
    hardware = InventedHardware()
    with BenchServer(BenchGuard(hardware)) as server:
        assert server.port != 0
        assert server.url == f"http://127.0.0.1:{server.port}"
        assert get(f"{server.url}/v1/bench").json()["bench"] == "south"
        server.check()

    assert hardware.closed == 1
    with pytest.raises(httpx.ConnectError):
        get(f"{server.url}/v1/bench")
    with pytest.raises(BenchError, match="stopped by itself"):
        server.check()


def test_lease_of_a_dead_client_lapses_without_any_call() -> None:
    """The guard's own thread takes a lapsed lease back though nobody calls any more."""
    hardware = SignallingHardware()
    with BenchServer(guard := BenchGuard(hardware)):
        lease = guard.grant("test", 0.2).lease
        guard.set_duty(lease, {"fan": 20})

        assert hardware.handed_back.wait(WAIT_S)
        assert hardware.manual == {}


def test_stopping_hands_back() -> None:
    """Leaving while somebody holds the bench ends the lease and hands the bench back."""
    hardware = InventedHardware()
    with BenchServer(guard := BenchGuard(hardware)):
        guard.set_duty(guard.grant("test", 60).lease, {"fan": 20})

    assert hardware.manual == {}


def test_stopping_that_cannot_hand_back() -> None:
    """Where the bench cannot be handed back it runs at full speed, and the server still stops."""
    hardware = InventedHardware()
    guard = BenchGuard(hardware)
    guard.set_duty(guard.grant("test", 60).lease, {"fan": 20})
    hardware.faults.add("hand-back")
    server = BenchServer(guard).__enter__()

    with pytest.raises(HardwareFault, match="cannot be handed back"):
        server.__exit__(None, None, None)

    assert hardware.manual == {"fan": 100, "pump": 90}


def test_guard_that_fails_goes_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault in one look is logged and the next look comes all the same."""
    guard = BenchGuard(InventedHardware())
    looks = 0
    second = threading.Event()

    def tick() -> None:
        nonlocal looks
        looks += 1
        if looks == 2:
            second.set()
        raise ZeroDivisionError

    monkeypatch.setattr(guard, "tick", tick)
    with BenchServer(guard):
        assert second.wait(WAIT_S)

    assert "The guard of bench south failed" in caplog.text


@pytest.mark.parametrize("address", ["0.0.0.0", "::", ""])
def test_strangers_need_a_token(address: str) -> None:
    """An address that others can reach is refused without a token."""
    with pytest.raises(SettingsError, match=r"token|no address"):
        BenchServer(BenchGuard(InventedHardware()), address=address)


def test_everywhere_with_a_token() -> None:
    """With a token it may listen everywhere, and asks for it."""
    guard = BenchGuard(InventedHardware())
    with BenchServer(guard, address="0.0.0.0", token=GIVEN) as server:
        assert get(f"{server.url}/v1/bench").status_code == 401


@pytest.mark.parametrize("token", ["", " ", "two words", "schlüssel", "a\n"])
def test_unusable_token(token: str) -> None:
    """A token that is empty or that no header can carry is refused."""
    with pytest.raises(SettingsError, match="visible ASCII"):
        BenchServer(BenchGuard(InventedHardware()), token=token)


def test_taken_port() -> None:
    """A port that is in use gives one sentence."""
    with (
        socket.create_server(("127.0.0.1", 0)) as taken,
        pytest.raises(SettingsError, match=r"cannot listen at 127\.0\.0\.1 port .*choose another"),
    ):
        BenchServer(BenchGuard(InventedHardware()), port=taken.getsockname()[1])


@pytest.mark.parametrize("port", [-1, 70_000])
def test_port_out_of_range(port: int) -> None:
    """A port number that does not exist gives one sentence."""
    with pytest.raises(SettingsError, match="from 0 to 65535"):
        BenchServer(BenchGuard(InventedHardware()), port=port)


def test_unknown_address() -> None:
    """An address that is none gives one sentence."""
    with pytest.raises(SettingsError, match="no address of this machine"):
        BenchServer(BenchGuard(InventedHardware()), address="no such name.invalid")


def test_ipv6() -> None:
    """A loopback address of the newer kind works as well."""
    try:
        server = BenchServer(BenchGuard(InventedHardware()), address="::1")
    except SettingsError:
        pytest.skip("this machine has no IPv6 loopback")
    with server:
        assert get(f"{server.url}/v1/state").json()["control"] == "own"


PROGRAM = """
import sys
sys.path.insert(0, sys.argv[1])
from bench_doubles import InventedHardware
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer, serve_until_stopped

hardware = InventedHardware()
guard = BenchGuard(hardware)
guard.set_duty(guard.grant("test", 60).lease, {"fan": 20})
serve_until_stopped(BenchServer(guard), ready=lambda url: print(url, flush=True))
print(hardware.closed, hardware.manual)
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows cannot send these signals to one process")
@pytest.mark.parametrize("number", ["SIGINT", "SIGTERM"])
def test_signal_hands_back_and_ends(number: str) -> None:
    """Ctrl-C and a request to end both hand the bench back and end cleanly."""
    tests = Path(__file__).parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(tests)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            url = process.stdout.readline().strip()
            assert get(f"{url}/v1/state").json()["control"] == "leased"

            process.send_signal(getattr(signal, number))
            out, errors = process.communicate(timeout=WAIT_S)
        finally:
            process.kill()

    assert (process.returncode, out, errors) == (0, "1 {}\n", "")
