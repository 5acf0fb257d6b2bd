import http.server
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
import pytest
from bench_doubles import InventedHardware, Ramp

from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.capture.bench_sound import BenchSound
from service.errors import CaptureError, CaptureStalled, SoundEnded

GIVEN = "right"


def hear(url: str, **options: str) -> BenchSound:
    """Open the sound of a bench in the room."""
    return BenchSound(url, name="simulated:south", **{"position": "room"} | options)  # type: ignore[arg-type] # passed on


@pytest.fixture
def ramps() -> dict[str, Ramp]:
    """The sources that a bench has been asked for, by position."""
    return {}


@pytest.fixture
def url(ramps: dict[str, Ramp]) -> Iterator[str]:
    """Address of a real host of a bench that can be heard."""

    def sound(position: str) -> Ramp:
        return ramps.setdefault(position, Ramp(position))

    with BenchServer(BenchGuard(InventedHardware()), sound=sound) as server:
        yield server.url


def test_sound_over_real_http(url: str) -> None:
    """Sound comes in order, also more than one answer holds, at the rate of the bench."""
    source = hear(url)
    assert (source.name, source.rate_hz, source.channels) == ("simulated:south", 48_000, 2)
    first, second = source.read(100), source.read(60_000)
    source.close()
    source.close()

    heard = np.concatenate([first.signal.samples, second.signal.samples])
    np.testing.assert_array_equal(heard[:, 0], np.arange(60_100) / 2**20)
    np.testing.assert_array_equal(heard[:, 1], -np.arange(60_100) / 2**20)
    assert first.faults == second.faults == ()
    with pytest.raises(SoundEnded):
        source.read(1)


def test_position_and_faults(url: str) -> None:
    """The calibrator is heard where it is asked for, and what the bench finds wrong arrives."""
    source = hear(url, position="calibrator")
    block = source.read(7)
    source.close()

    assert block.signal.samples[0, 0] == 0.5
    assert block.faults == ("a fault: ümlaut",)


def test_bench_that_fails(url: str, ramps: dict[str, Ramp]) -> None:
    """A bench whose sound fails is an error of capture."""
    source = hear(url)
    ramps["room"].stalled = True

    with pytest.raises(CaptureError, match="503"):
        source.read(10)
    source.close()


def test_bench_that_is_gone() -> None:
    """When the bench ends, so does its sound, with what to do about it."""
    with BenchServer(BenchGuard(InventedHardware()), sound=Ramp) as server:
        source = hear(server.url)
    source._caller._patience_s = 0.1

    with pytest.raises(CaptureStalled, match="start it again"):
        source.read(10)
    source.close()


def test_bench_without_sound() -> None:
    """A bench of real hardware has no sound to give."""
    with (
        BenchServer(BenchGuard(InventedHardware())) as server,
        pytest.raises(CaptureError, match=r"status 404.*only a simulated bench does"),
    ):
        hear(server.url)


def test_token() -> None:
    """A bench with a token is heard with it only."""
    guard = BenchGuard(InventedHardware())
    with BenchServer(guard, token=GIVEN, sound=Ramp) as server:
        with pytest.raises(CaptureError, match="401"):
            hear(server.url)
        source = hear(server.url, token=GIVEN)
        assert len(source.read(5).signal.samples) == 5
        source.close()


@contextmanager
def answering(answer: Callable[[str], tuple[dict[str, str], bytes]]) -> Iterator[str]:
    """Serve whatever a function says, as a faulty bench would."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            headers, content = answer(self.path)
            self.send_response(200)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()
            thread.join()


@pytest.mark.parametrize("form", [b"<html>", b"{}", b'{"rate_hz": true, "channels": 1}'])
def test_format_that_is_none(form: bytes) -> None:
    """What gives no rate and channels is no simulated bench."""
    with (
        answering(lambda _: ({}, form)) as url,
        pytest.raises(CaptureError, match="is no simulated bench"),
    ):
        hear(url)


@pytest.mark.parametrize("length", [0, 1, 39, 41])
def test_too_little_or_too_much(length: int) -> None:
    """An answer of another length than asked for is not taken for sound."""

    def answer(path: str) -> tuple[dict[str, str], bytes]:
        if "format" in path:
            return {}, json.dumps({"rate_hz": 48_000, "channels": 1}).encode()
        return {}, bytes(length)

    with answering(answer) as url:
        source = hear(url)
        with pytest.raises(CaptureError, match=f"sent {length} bytes for 10 frames"):
            source.read(10)
        source.close()


@pytest.mark.parametrize(
    ("header", "faults"),
    [
        ("[]", ()),
        ('["a", "b", "a"]', ("a", "b")),
        ("[", ("the bench sent faults that cannot be read",)),
        ("5", ("the bench sent faults that cannot be read",)),
    ],
)
def test_faults_header(header: str, faults: tuple[str, ...]) -> None:
    """Faults are taken from their header once each, and a broken header is one itself."""

    def answer(path: str) -> tuple[dict[str, str], bytes]:
        if "format" in path:
            return {}, json.dumps({"rate_hz": 48_000, "channels": 1}).encode()
        return {"Sound-Faults": header}, np.linspace(0, 0.1, 10).astype("<f4").tobytes()

    with answering(answer) as url:
        source = hear(url)
        assert source.read(10).faults == faults
        source.close()
