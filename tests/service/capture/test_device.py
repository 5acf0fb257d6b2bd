import json
import os
import shutil
import subprocess
import sys
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from service.capture.device import DeviceSource, choose_device
from service.errors import CaptureStalled, DeviceNotFound, SettingsError, SoundEnded

WAIT_S = 20.0


class InventedAudio(types.ModuleType):
    """An audio library of one input, whose stream a test drives by hand."""

    class PortAudioError(Exception):
        """What the library raises."""

    def __init__(self) -> None:
        super().__init__("sounddevice")
        self.refuse = ""
        self.options: dict[str, Any] = {}
        self.closed = 0

    def query_hostapis(self) -> list[dict[str, Any]]:
        """List audio systems."""
        return [{"name": "Invented"}]

    def query_devices(self) -> list[dict[str, Any]]:
        """List devices; the first is an output."""
        return [
            {"name": "Loudspeaker", "hostapi": 0, "max_input_channels": 0},
            {"name": "Measuring microphone", "hostapi": 0, "max_input_channels": 1},
        ]

    def InputStream(self, **options: Any) -> "InventedAudio":
        """Open the stream, which is this object as well."""
        if self.refuse:
            raise self.PortAudioError(self.refuse)
        self.options = options
        return self

    def start(self) -> None:
        """Do nothing; tests deliver blocks."""

    def close(self) -> None:
        """Count."""
        self.closed += 1

    def deliver(self, samples: np.ndarray, status: str = "") -> None:
        """Call back as the library does, and then reuse the memory as it does."""
        self.options["callback"](samples, len(samples), None, status)
        samples[:] = np.nan


@pytest.fixture
def audio(monkeypatch: pytest.MonkeyPatch) -> InventedAudio:
    """The library that is loaded instead of the real one."""
    invented = InventedAudio()
    monkeypatch.setitem(sys.modules, "sounddevice", invented)
    return invented


def noise(seed: int) -> np.ndarray:
    """Return a block of 0.1 s."""
    sound = 0.1 * np.random.default_rng(seed).standard_normal((4800, 1))
    return sound.astype(np.float32)


def test_blocks_of_a_device(audio: InventedAudio) -> None:
    """Sound comes as delivered, from the device named, at a fixed block; and it is given back."""
    source = DeviceSource("microphone", rate_hz=48_000, channels=1)
    for seed in range(3):
        audio.deliver(noise(seed))
    heard = [source.read(7200) for _ in range(2)]
    source.close()
    source.close()

    assert audio.options["device"] == 1
    assert audio.options["blocksize"] == 4800
    assert (audio.options["samplerate"], audio.options["channels"]) == (48_000, 1)
    np.testing.assert_array_equal(
        np.concatenate([block.signal.samples for block in heard]),
        np.concatenate([noise(seed) for seed in range(3)]),
    )
    assert all(block.faults == () for block in heard)
    assert audio.closed == 1
    with pytest.raises(SoundEnded):
        source.read(1)


def test_status_becomes_a_fault(audio: InventedAudio) -> None:
    """What the library says about a block is a fault of that block."""
    source = DeviceSource("microphone", rate_hz=48_000, channels=1)
    audio.deliver(noise(1), "input overflow")
    audio.deliver(noise(2))

    assert source.read(4800).faults == ("the audio library says input overflow",)
    assert source.read(4800).faults == ()
    source.close()


def test_missing_frames_become_a_fault(audio: InventedAudio) -> None:
    """A block that comes 0.4 s late on the clock is marked, as sound may be missing."""
    times_s = iter([0.0, 0.1, 0.6])
    source = DeviceSource("microphone", rate_hz=48_000, channels=1, clock=lambda: next(times_s))
    for seed in range(3):
        audio.deliver(noise(seed))

    assert source.read(9600).faults == ()
    assert source.read(4800).faults == ("it came late, and sound may be missing",)
    source.close()


@pytest.mark.usefixtures("audio")
def test_device_that_falls_silent() -> None:
    """A device without callbacks is given up after the limit."""
    source = DeviceSource("microphone", rate_hz=48_000, channels=1, stall_s=0.05)

    with pytest.raises(CaptureStalled, match=r"has delivered nothing for 0\.05 s"):
        source.read(1)
    source.close()


def test_device_that_vanishes(audio: InventedAudio) -> None:
    """A device that the library lets go of is gone at once."""
    source = DeviceSource("microphone", rate_hz=48_000, channels=1, stall_s=WAIT_S)
    audio.options["finished_callback"]()

    with pytest.raises(CaptureStalled, match="unplugged"):
        source.read(1)
    source.close()


def test_device_that_refuses(audio: InventedAudio) -> None:
    """A rate that the device does not offer gives a sentence with what the library says."""
    audio.refuse = "Error opening InputStream:\nInvalid sample rate [PaErrorCode -9997]"

    with pytest.raises(SettingsError, match=r"96000 Hz \(Error opening InputStream: Invalid"):
        DeviceSource("microphone", rate_hz=96_000, channels=1)


def test_without_the_library(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Where its native part is missing it is said what to install."""
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')")
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.syspath_prepend(str(tmp_path))

    with pytest.raises(DeviceNotFound, match="install it"):
        DeviceSource("x", rate_hz=48_000, channels=1)


DEVICES = [
    (0, "USB microphone, ALSA"),
    (2, "USB microphone array, ALSA"),
    (3, "Line, ALSA"),
    (5, "Line, JACK"),
]


@pytest.mark.parametrize(
    ("part", "index"),
    [
        ("array", 2),
        ("ARRAY", 2),
        (" jack ", 5),
        ("usb microphone", 0),  # the whole name of one, a part of the other
        ("USB microphone, ALSA", 0),
        ("Line, ALSA", 3),
    ],
)
def test_device_by_a_part_of_its_name(part: str, index: int) -> None:
    """A part that only one input has, or its whole name, names it, in any case."""
    assert choose_device(part, DEVICES)[0] == index


@pytest.mark.parametrize(
    ("part", "devices", "words"),
    [
        ("usb", DEVICES, "USB microphone, ALSA; USB microphone array, ALSA"),
        ("line", DEVICES, "Line, ALSA; Line, JACK"),
        ("", DEVICES, "more than one"),
        ("headset", DEVICES, "this machine has USB microphone, ALSA; .*Line, JACK"),
        ("headset", [], "no input at all"),
    ],
)
def test_device_that_is_not_clear(part: str, devices: list[tuple[int, str]], words: str) -> None:
    """Several or none: the candidates are listed and none is taken."""
    with pytest.raises(DeviceNotFound, match=words):
        choose_device(part, devices)


RECORDER = """
import json, sys, threading
import numpy as np
from service.capture.device import DeviceSource
from service.errors import CaptureError

source = DeviceSource("pulse", rate_hz=48000, channels=1)
print("ready", flush=True)
blocks, ended = [], ""
try:
    for _ in range(int(sys.argv[1])):
        blocks.append(source.read(4800))
        print("block", flush=True)
except CaptureError as error:
    ended = f"{type(error).__name__}: {error}"
source.close()
# An exact zero is a microphone's silence only here: nothing was played at that moment.
faults = {f for b in blocks for f in b.faults if "stands still" not in f}
samples = np.concatenate([b.signal.samples for b in blocks]) if blocks else np.zeros((0, 1))
np.save(sys.argv[2], samples)
print(json.dumps({"blocks": len(blocks), "faults": sorted(faults), "ended": ended}), flush=True)
"""

Server = tuple[dict[str, str], "subprocess.Popen[bytes]"]


@pytest.fixture
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A sound server with a virtual microphone; skipped where there is none to start."""
    for program in ("pulseaudio", "pactl", "paplay"):
        if shutil.which(program) is None:
            pytest.skip(f"the program {program} is not installed")
    try:
        import sounddevice  # noqa: F401, PLC0415 - to see whether it can be loaded
    except OSError:
        pytest.skip("the PortAudio library is not installed")
    folder = tmp_path_factory.mktemp("p")
    socket = f"unix:{folder}/native"
    environment = os.environ | {
        "PULSE_RUNTIME_PATH": str(folder),
        "PULSE_STATE_PATH": str(folder / "state"),
        "PULSE_COOKIE": str(folder / "cookie"),
        "PULSE_SERVER": socket,
    }
    loads = [
        f"module-native-protocol-unix socket={folder}/native auth-anonymous=1",
        "module-null-sink sink_name=testmic format=float32le rate=48000 channels=1 "
        "channel_map=mono norewinds=1",
    ]
    command = [
        "pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1",
        "--realtime=no", "--high-priority=no", f"--log-target=file:{folder}/log",
        *(word for load in loads for word in ("-L", load)),
    ]  # fmt: skip
    quiet = {
        "stdin": subprocess.DEVNULL,
        "stdout": subprocess.DEVNULL,
        "stderr": subprocess.DEVNULL,
    }
    process = subprocess.Popen(command, env=environment, **quiet)
    try:
        for _ in range(400):
            answer = subprocess.run(["pactl", "info"], env=environment, check=False, **quiet)
            if answer.returncode == 0:
                break
            if process.poll() is not None:
                pytest.skip("the sound server does not start on this machine")
        source = ["pactl", "set-default-source", "testmic.monitor"]
        subprocess.run(source, env=environment, check=True, timeout=WAIT_S, **quiet)
        yield environment, process
    finally:
        process.kill()
        process.wait(WAIT_S)


Record = Callable[[int], "subprocess.Popen[str]"]


@pytest.fixture
def record(server: Server, tmp_path: Path) -> Iterator[Record]:
    """Start a program that records so many blocks from the virtual microphone."""
    started: list[subprocess.Popen[str]] = []

    def start(blocks: int) -> "subprocess.Popen[str]":
        command = [sys.executable, "-c", RECORDER, str(blocks), str(tmp_path / "heard.npy")]
        started.append(
            subprocess.Popen(
                command,
                env=server[0],
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
            )
        )
        assert started[-1].stdout is not None
        assert started[-1].stdout.readline() == "ready\n"
        return started[-1]

    yield start
    for process in started:
        process.kill()
        process.communicate(timeout=WAIT_S)


def test_a_real_device_bit_for_bit(server: Server, record: Record, tmp_path: Path) -> None:
    """What is played into a virtual microphone is heard sample for sample."""
    sound = (0.3 * np.random.default_rng(1).uniform(-1, 1, 24_000)).astype(np.float32)
    soundfile.write(tmp_path / "sound.wav", sound, 48_000, subtype="FLOAT")

    recorder = record(15)
    play = ["paplay", "--device=testmic", str(tmp_path / "sound.wav")]
    subprocess.run(play, env=server[0], check=True, timeout=WAIT_S)
    out, _ = recorder.communicate(timeout=WAIT_S)
    told = json.loads(out.splitlines()[-1])
    heard = np.load(tmp_path / "heard.npy")[:, 0]

    assert (told["blocks"], told["ended"]) == (15, "")
    # A busy machine may be late, and nothing else is to be said against the sound.
    assert set(told["faults"]) <= {"it came late, and sound may be missing"}
    assert len(heard) == 15 * 4800
    first = int(np.flatnonzero(heard)[0]) - int(np.flatnonzero(sound)[0])
    np.testing.assert_array_equal(heard[first : first + len(sound)], sound)


def test_a_real_device_that_vanishes(server: Server, record: Record) -> None:
    """When the sound server ends, so does the recording, with a sentence and not for ever."""
    recorder = record(600)
    assert recorder.stdout is not None
    assert recorder.stdout.readline() == "block\n"
    server[1].kill()
    out, _ = recorder.communicate(timeout=WAIT_S)

    assert recorder.returncode == 0
    assert (
        "CaptureStalled: The device 'pulse, ALSA' has" in json.loads(out.splitlines()[-1])["ended"]
    )
