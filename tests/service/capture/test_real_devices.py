"""Recording from real PortAudio devices, whose sound servers tests stop, kill and start again."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from sound_servers import WAIT_S, JackServer, PulseServer, children_of, wait_for_end

from service.capture.device import DeviceSource
from service.capture.device_process import list_inputs
from service.errors import CaptureError, CaptureStalled, DeviceNotFound, SettingsError

LATE = "it came late, and sound may be missing"
"""A busy machine may be late without anything being wrong."""


def noise(seconds: float, seed: int = 1) -> np.ndarray:
    """Return noise of single precision."""
    sound = 0.3 * np.random.default_rng(seed).uniform(-1, 1, round(48_000 * seconds))
    return sound.astype(np.float32)


class Listening:
    """A source with what it told."""

    def __init__(self, name: str = "pulse", **options: object) -> None:
        self.told: list[str] = []
        self.when_lost: Callable[[], object] = lambda: None
        usual = {"rate_hz": 48_000, "channels": 1, "stall_s": 0.7, "return_s": 20.0}
        self.source = DeviceSource(name, tell=self.tell, **usual | options)  # type: ignore[arg-type] # passed on

    def tell(self, text: str) -> None:
        """Keep what is told; when the device is lost, do what the test wants done."""
        self.told.append(text)
        if "waiting up to" in text:
            self.when_lost()

    def child(self) -> int:
        """Return the process that records."""
        (child,) = recording_processes()
        return child

    def faults(self, blocks: int) -> list[set[str]]:
        """Read blocks of 100 ms; return what is said against each, lateness apart."""
        return [set(self.source.read(4800).faults) - {LATE} for _ in range(blocks)]

    def until_lost(self) -> set[str]:
        """Read until a block says that the device was lost; return what is said against it."""
        for _ in range(100):
            (found,) = self.faults(1)
            if any("the device was lost for" in fault for fault in found):
                return found
            assert found == set()
        raise AssertionError("the device was not lost")


def recording_processes() -> list[int]:
    """Return the processes of this test that record."""

    def words_of(pid: int) -> bytes:
        return Path(f"/proc/{pid}/cmdline").read_bytes()

    return [pid for pid in children_of(os.getpid()) if b"device_child" in words_of(pid)]


@pytest.fixture
def listening(pulse: PulseServer) -> Iterator[Listening]:
    """Listen to the virtual microphone while noise is played."""
    pulse.play(noise(WAIT_S))
    listening = Listening()
    for _ in range(100):
        if listening.faults(1) == [set()]:
            break
    yield listening
    listening.source.close()
    assert recording_processes() == []


def test_sound_bit_for_bit(pulse: PulseServer) -> None:
    """What is played into a virtual microphone is heard sample for sample."""
    sound = noise(0.5)
    listening = Listening(stall_s=WAIT_S)
    pulse.play(sound)
    blocks = [listening.source.read(4800) for _ in range(13)]
    listening.source.close()

    heard = np.concatenate([block.signal.samples[:, 0] for block in blocks])
    first = int(np.flatnonzero(heard)[0]) - int(np.flatnonzero(sound)[0])
    np.testing.assert_array_equal(heard[first : first + len(sound)], sound)
    # An exact zero is a microphone's silence only here: nothing is played at that moment.
    assert {fault for block in blocks for fault in block.faults} <= {LATE, "channel 1 stands still"}
    assert "use the device itself" in listening.told[0]


def test_killed_server_that_comes_back(pulse: PulseServer, listening: Listening) -> None:
    """Listening goes on by itself when the server is back, and what was lost is marked."""
    listening.when_lost = lambda: pulse.start().play(noise(WAIT_S, seed=2))
    pulse.kill()
    found = listening.until_lost()
    after = listening.faults(7)

    assert "the device had just come back" in found
    assert all("the device had just come back" in faults for faults in after[:4])
    assert after[-1] == set()
    assert "has stopped, as if it was unplugged" in listening.told[1]
    assert "is back after" in listening.told[2]


def test_server_that_hangs(pulse: PulseServer, listening: Listening) -> None:
    """A server that hangs is noticed within the limit, its process given up; then it goes on."""
    first = listening.child()
    noticed_s: list[float] = []

    def go_on() -> None:
        noticed_s.append(time.monotonic())
        pulse.go_on()

    listening.when_lost = go_on
    pulse.stall()
    began_s = time.monotonic()
    listening.until_lost()

    assert noticed_s[0] - began_s < 2.0
    assert wait_for_end(first)
    assert "has delivered nothing for 0.7 s" in listening.told[1]
    assert "is back after" in listening.told[2]
    assert listening.faults(7)[-1] == set()


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (signal.SIGKILL, "the process that records from it has ended"),
        (signal.SIGSTOP, "has delivered nothing"),
    ],
)
def test_recording_process_that_dies_or_hangs(
    listening: Listening, number: signal.Signals, words: str
) -> None:
    """Its process is replaced by another one, and nothing of it is left."""
    first = listening.child()
    os.kill(first, number)
    listening.until_lost()

    assert wait_for_end(first)
    assert listening.child() != first
    assert words in listening.told[1]
    assert listening.faults(7)[-1] == set()


def test_device_that_does_not_come_back(pulse: PulseServer) -> None:
    """After the time it is given, one sentence ends the measurement."""
    listening = Listening(return_s=0.2)
    pulse.kill()

    with pytest.raises(
        CaptureStalled, match=r"'pulse, ALSA' has stopped.*has not come back within 0\.2 s; check"
    ):
        listening.faults(20)
    assert recording_processes() == []


def test_lost_sound_that_the_audio_library_tells(jack: JackServer) -> None:
    """What the audio library says about lost sound marks the block it says it of."""
    listening = Listening("system, JACK", stall_s=WAIT_S)
    listening.faults(1)
    os.kill(listening.child(), signal.SIGSTOP)
    with pytest.raises(subprocess.TimeoutExpired):
        jack.process.wait(0.2)
    os.kill(listening.child(), signal.SIGCONT)
    faults = listening.faults(5)
    listening.source.close()

    assert any("the audio library says input overflow" in str(found) for found in faults)
    assert listening.told == []


def test_rate_that_a_device_does_not_take(jack: JackServer) -> None:
    """Another rate than the server's is refused, also when the device comes back with another."""
    with pytest.raises(SettingsError, match=r"at 44100 Hz \(.*Invalid sample rate\); use what"):
        Listening("system, JACK", rate_hz=44_100)

    listening = Listening("system, JACK")
    listening.when_lost = lambda: jack.start(44_100)
    listening.faults(1)
    jack.kill()

    with pytest.raises(CaptureError, match=r"came back changed\. The device 'system, JACK.*48000"):
        listening.faults(20)


@pytest.mark.usefixtures("jack")
def test_what_there_is() -> None:
    """Inputs are listed with their channels and rates; an unknown name is answered with them."""
    (found,) = (device for device in list_inputs() if device.name == "system")

    assert (found.channels, found.default_rate_hz, found.rates_hz) == (2, 48_000, (48_000,))
    with pytest.raises(DeviceNotFound, match=r"no input 'headset'; .* has .*system, JACK"):
        Listening("headset")


LISTENER = """
from service.capture.device import DeviceSource

source = DeviceSource("pulse", rate_hz=48000, channels=1, tell=print)
try:
    while True:
        source.read(4800)
        print("heard", flush=True)
except KeyboardInterrupt:
    source.close()
    print("interrupted")
"""


@pytest.fixture
def listener(pulse: PulseServer) -> Iterator["subprocess.Popen[str]"]:  # noqa: ARG001 - it listens
    """A program that listens, in a group of processes as a terminal makes one."""
    process = subprocess.Popen(
        [sys.executable, "-c", LISTENER],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    assert "use the device itself" in process.stdout.readline()
    assert process.stdout.readline() == "heard\n"
    yield process
    process.kill()
    process.communicate(timeout=WAIT_S)


def test_recording_process_ends_with_its_parent(listener: "subprocess.Popen[str]") -> None:
    """When the program that listens is killed, the process that records ends by itself."""
    (child,) = children_of(listener.pid)
    listener.kill()

    assert wait_for_end(child)


def test_ctrl_c_is_for_the_parent_to_act_on(listener: "subprocess.Popen[str]") -> None:
    """Ctrl-C in a terminal does not end the recording before whoever listens has heard of it."""
    (child,) = children_of(listener.pid)
    assert listener.stdout is not None
    os.kill(child, signal.SIGINT)
    os.kill(child, signal.SIGTERM)
    heard = [listener.stdout.readline() for _ in range(5)]
    os.killpg(listener.pid, signal.SIGINT)
    out, err = listener.communicate(timeout=WAIT_S)

    assert heard == ["heard\n"] * 5
    assert out.replace("heard\n", "") == "interrupted\n"
    assert (err, listener.returncode) == ("", 0)
    assert wait_for_end(child)
