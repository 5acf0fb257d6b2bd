import threading
from collections.abc import Iterator

import pytest
from sound_servers import JackServer, PulseServer, need


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    """Fail the test that leaves one of the product's threads running."""
    yield
    assert [t.name for t in threading.enumerate() if t.name.startswith("evenhush")] == []


@pytest.fixture
def pulse(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> Iterator[PulseServer]:
    """A sound server with a virtual microphone; skipped where there is none to start."""
    need("pulseaudio", "pactl", "paplay")
    server = PulseServer(tmp_path_factory.mktemp("p"), monkeypatch).start()
    yield server
    server.end()


@pytest.fixture
def jack(monkeypatch: pytest.MonkeyPatch) -> Iterator[JackServer]:
    """A sound server that tells what it loses; skipped where there is none to start."""
    need("jackd", "jack_wait")
    server = JackServer(monkeypatch).start()
    yield server
    server.end()
