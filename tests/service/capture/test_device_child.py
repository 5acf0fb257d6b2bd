"""What the process that holds a device does, here inside the test, on an invented library."""

import sys
import threading
import types
from typing import Any

import numpy as np
import pytest

from service.capture.device_child import Gatherer, obey
from service.capture.device_messages import (
    Failed,
    Finished,
    Listed,
    ListOrder,
    Message,
    Opened,
    RecordOrder,
    Sound,
)
from service.errors import CaptureError, DeviceNotFound, SettingsError

WAIT_S = 20.0
ORDER = RecordOrder("microphone", 48_000, 1)


class InventedAudio(types.ModuleType):
    """An audio library of one input, whose stream a test drives by hand."""

    class PortAudioError(Exception):
        """What the library raises."""

    def __init__(self) -> None:
        super().__init__("sounddevice")
        self.refuse: tuple[object, ...] = ()
        self.options: dict[str, Any] = {}
        self.started = threading.Event()
        self.closed = 0
        self.inputs = 1

    def query_hostapis(self) -> list[dict[str, Any]]:
        """List audio systems."""
        return [{"name": "Invented"}]

    def query_devices(self, kind: str | None = None) -> Any:
        """List devices, or the usual input; the first one is an output."""
        listed = [
            {"name": "Loudspeaker", "hostapi": 0, "max_input_channels": 0, "index": 0},
            {"name": "Measuring microphone", "hostapi": 0, "max_input_channels": 2, "index": 1},
        ][: 1 + self.inputs]
        for device in listed:
            device["default_samplerate"] = 44_100.0
        if kind is None:
            return listed
        if not self.inputs:
            raise self.PortAudioError("Error querying device -1")
        return listed[1]

    def check_input_settings(self, *, device: int, channels: int, dtype: str, samplerate: int):
        """Take two rates."""
        assert (device, channels, dtype) == (1, 1, "float32")
        if samplerate not in (44_100, 96_000):
            raise self.PortAudioError("Invalid sample rate", -9997)

    def InputStream(self, **options: Any) -> "InventedAudio":
        """Open the stream, which is this object as well."""
        if self.refuse:
            raise self.PortAudioError(*self.refuse)
        self.options = options
        return self

    def start(self) -> None:
        """Let the test know."""
        self.started.set()

    def close(self) -> None:
        """Count."""
        self.closed += 1

    def deliver(self, samples: np.ndarray, status: object = None) -> None:
        """Call back as the library does, and then use the memory again as it does."""
        memory = samples.copy()
        self.options["callback"](memory, len(memory), None, status)
        memory[:] = np.nan


@pytest.fixture
def audio(monkeypatch: pytest.MonkeyPatch) -> InventedAudio:
    """The library that is loaded instead of the real one."""
    invented = InventedAudio()
    monkeypatch.setitem(sys.modules, "sounddevice", invented)
    return invented


def noise(frames: int, seed: int = 1) -> np.ndarray:
    """Return noise of single precision."""
    sound = 0.1 * np.random.default_rng(seed).standard_normal((frames, 1))
    return sound.astype(np.float32)


class Recording:
    """A recording that is under way in a thread."""

    def __init__(self, audio: InventedAudio, order: RecordOrder = ORDER) -> None:
        self.told: list[Message] = []
        self.end = threading.Event()
        self.thread = threading.Thread(
            target=obey, args=(order, self.told.append), kwargs={"wait_for_end": self.end.wait}
        )
        self.thread.start()
        assert audio.started.wait(WAIT_S)

    def result(self) -> list[Message]:
        """Wait until it is over; return what it told."""
        self.thread.join(WAIT_S)
        assert not self.thread.is_alive()
        self.end.set()
        return self.told


def test_recording_until_the_device_is_gone(audio: InventedAudio) -> None:
    """Pieces of any length are told as blocks of 0.1 s, and then that the device is gone."""
    recording = Recording(audio)
    sound = noise(15_000)
    for first in range(0, 15_000, 1000):
        audio.deliver(sound[first : first + 1000])
    audio.options["finished_callback"]()
    opened, *blocks, finished = recording.result()

    assert isinstance(opened, Opened)
    assert opened.device.label == "Measuring microphone, Invented"
    assert opened.only_one
    assert isinstance(finished, Finished)
    assert audio.closed == 1
    assert (audio.options["device"], audio.options["samplerate"]) == (1, 48_000)
    assert all(isinstance(block, Sound) and block.samples.shape == (4800, 1) for block in blocks)
    np.testing.assert_array_equal(
        np.concatenate([block.samples for block in blocks if isinstance(block, Sound)]),
        sound[:14_400],
    )


def test_recording_until_nobody_wants_it(audio: InventedAudio) -> None:
    """When its parent wants no more the device is given back."""
    recording = Recording(audio)
    recording.end.set()

    assert [type(message) for message in recording.result()] == [Opened, Finished]
    assert audio.closed == 1


def gathered(*pieces: tuple[int, object]) -> list[Sound]:
    """Gather pieces of so many frames with their status into blocks of 1000."""
    gatherer = Gatherer(1000, 48_000)
    for frames, status in pieces:
        gatherer.arrive(np.zeros((frames, 1), np.float32), frames, None, status)
    gatherer.finish()
    return list(gatherer.blocks())


@pytest.mark.parametrize(
    ("pieces", "marked"),
    [
        ([(1000, None), (1000, "input overflow"), (1000, None)], [False, True, False]),
        ([(400, None), (400, "input overflow"), (400, None), (800, None)], [True, False]),
        # A piece that is in two blocks speaks against both.
        ([(800, None), (400, "input overflow"), (900, None)], [True, True]),
        ([(3500, "input overflow"), (600, None)], [True, True, True, True]),
    ],
)
def test_status_marks_every_block_it_may_belong_to(
    pieces: list[tuple[int, object]], marked: list[bool]
) -> None:
    """What the library says of a piece is said of each block that holds some of it, no other."""
    faults = [block.faults for block in gathered(*pieces)]

    assert faults == [("the audio library says input overflow",) if mark else () for mark in marked]


def test_blocks_are_stamped_with_the_arrival_of_their_last_frame() -> None:
    """A piece that holds the end of one block and more is counted back to that end."""
    first, second, third = gathered((3000, None))

    assert third.time_s - second.time_s == pytest.approx(1000 / 48_000)
    assert second.time_s - first.time_s == pytest.approx(1000 / 48_000)


def test_sound_that_nobody_takes_is_bounded_and_missed() -> None:
    """While the parent is suspended two seconds are kept; what comes then says what is missing."""
    gatherer = Gatherer(4800, 48_000)
    piece = np.zeros((4800, 1), np.float32)
    for _ in range(100):
        gatherer.arrive(piece, 4800, None, None)
    blocks = gatherer.blocks()
    kept = [next(blocks) for _ in range(21)]
    gatherer.arrive(piece, 4800, None, None)

    assert all(block.faults == () for block in kept)
    assert next(blocks).faults == ("sound was lost, as nobody took it in time",)


@pytest.mark.parametrize(
    ("refuse", "kind", "words"),
    [
        (
            ("Error opening InputStream:\nInvalid sample rate", -9997),
            SettingsError,
            r"48000 Hz \(Error opening InputStream: Invalid sample rate\); use what it offers",
        ),
        (("Invalid number of channels", -9998), SettingsError, "use what it offers"),
        (("Device unavailable", -9985), CaptureError, "see whether another program has it"),
    ],
)
def test_device_that_refuses(
    audio: InventedAudio, refuse: tuple[object, ...], kind: type[Exception], words: str
) -> None:
    """What the library says is told, as something to set or as something to wait for."""
    audio.refuse = refuse
    told: list[Message] = []
    obey(ORDER, told.append, wait_for_end=lambda: None)

    (failed,) = told
    assert isinstance(failed, Failed)
    assert type(failed.error) is kind
    with pytest.raises(kind, match=words):
        raise failed.error


@pytest.mark.usefixtures("audio")
def test_device_that_was_in_use_before() -> None:
    """When it is to be the same device again, its name counts and not what the user called it."""
    told: list[Message] = []
    obey(ListOrder(), told.append, wait_for_end=lambda: None)
    assert isinstance(told[0], Listed)
    (known,) = told[0].devices
    gone = RecordOrder("microphone", 48_000, 1, known=Opened(known, only_one=True))
    sys.modules["sounddevice"].inputs = 0  # type: ignore[attr-defined] # of the invented one
    obey(gone, told.append, wait_for_end=lambda: None)

    assert isinstance(told[1], Failed)
    assert "'Measuring microphone, Invented' is not there" in str(told[1].error)


def test_listing(audio: InventedAudio) -> None:
    """Inputs are listed with the rates they take; without any the list is empty."""
    told: list[Message] = []
    obey(ListOrder(), told.append, wait_for_end=lambda: None)
    audio.inputs = 0
    obey(ListOrder(), told.append, wait_for_end=lambda: None)

    assert isinstance(told[0], Listed)
    (device,) = told[0].devices
    assert (device.channels, device.default_rate_hz, device.default) == (2, 44_100, True)
    assert device.rates_hz == (44_100, 96_000)
    assert told[1] == Listed(())


def test_without_the_library(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> None:
    """Where its native part is missing it is said what to install."""
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')")
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.syspath_prepend(str(tmp_path))
    told: list[Message] = []
    obey(ORDER, told.append, wait_for_end=lambda: None)

    assert isinstance(told[0], Failed)
    assert isinstance(told[0].error, DeviceNotFound)
    assert "install it" in str(told[0].error)


def test_failure_of_the_library_that_nobody_expects(audio: InventedAudio) -> None:
    """It is told, as nobody would see it otherwise."""
    audio.query_hostapis = lambda: 1 / 0  # type: ignore[assignment,method-assign] # it breaks
    told: list[Message] = []
    obey(ORDER, told.append, wait_for_end=lambda: None)

    assert isinstance(told[0], Failed)
    assert "The audio library failed (ZeroDivisionError" in str(told[0].error)
