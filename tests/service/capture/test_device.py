from collections.abc import Callable

import numpy as np
import pytest

from service.capture.arrivals import Heard
from service.capture.audio_devices import InputDevice
from service.capture.device import DeviceSource
from service.capture.device_messages import Opened, RecordOrder
from service.errors import CaptureError, CaptureStalled, DeviceNotFound, SettingsError, SoundEnded

DEVICE = InputDevice(3, "Measuring microphone (hw:1,0)", "ALSA", 2, 48_000)


def noise(seed: int, frames: int = 4800) -> np.ndarray:
    """Return noise of single precision."""
    sound = 0.1 * np.random.default_rng(seed).standard_normal((frames, 1))
    return sound.astype(np.float32)


class InventedRecorder:
    """Gives what a test says, then its device is lost."""

    why_lost = "has stopped"

    def __init__(self, *heard: Heard | np.ndarray, device: InputDevice = DEVICE) -> None:
        self.opened = Opened(device, only_one=True)
        self.left = [Heard(h) if isinstance(h, np.ndarray) else h for h in heard]
        self.ended = 0

    def take(self, _: int) -> Heard | None:
        """Take the next piece, of whatever length it is."""
        assert not self.ended
        return self.left.pop(0) if self.left else None

    def end(self) -> None:
        """Count."""
        self.ended += 1


class InventedSystem:
    """Opens what a test says, one after the other, and fails where that is an error."""

    def __init__(self, *tries: InventedRecorder | Exception | Callable[[], Exception]) -> None:
        self.tries = list(tries)
        self.orders: list[RecordOrder] = []

    def record(self, order: RecordOrder, stall_s: float, open_s: float) -> InventedRecorder:
        """Open the next one."""
        assert 0 < stall_s < open_s
        self.orders.append(order)
        found = self.tries.pop(0)
        if callable(found):
            found = found()
        if isinstance(found, Exception):
            raise found
        return found


@pytest.fixture
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let tries to open a device follow each other quickly."""
    monkeypatch.setattr("service.capture.device._TRY_AGAIN_S", 0.05)


def open_source(
    *tries: InventedRecorder | Exception | Callable[[], Exception], return_s: float = 20.0
) -> tuple[DeviceSource, InventedSystem, list[str]]:
    """Open a source on an invented system; return what it tells as well."""
    system, told = InventedSystem(*tries), []
    source = DeviceSource(
        "microphone",
        rate_hz=48_000,
        channels=1,
        return_s=return_s,
        tell=told.append,
        record=system.record,
    )
    return source, system, told


def test_sound_and_its_faults() -> None:
    """Sound comes as it was recorded, with what is known against it; and it is given back."""
    recorder = InventedRecorder(noise(1), Heard(noise(2), ("it came late",)))
    source, system, told = open_source(recorder)
    first, second = source.read(4800), source.read(4800)
    source.close()
    source.close()

    np.testing.assert_array_equal(first.signal.samples, noise(1))
    assert (first.faults, second.faults) == ((), ("it came late",))
    assert (source.name, source.rate_hz, source.channels) == ("device:microphone", 48_000, 1)
    assert system.orders == [RecordOrder("microphone", 48_000, 1)]
    assert recorder.ended
    assert told == []
    with pytest.raises(SoundEnded, match="was closed"):
        source.read(1)


def test_clipping_silence_and_repetition_are_faults_of_their_channel() -> None:
    """What the samples show is marked, also that a device says the same again and again."""
    clipped, stuck = noise(1), np.tile(noise(2, 1200), (4, 1))
    clipped[10:20] = 1.0
    source, _, _ = open_source(
        InventedRecorder(clipped, np.zeros((4800, 1), np.float32), noise(3), stuck, stuck)
    )
    faults = [source.read(4800).channel_faults for _ in range(5)]
    source.close()

    assert faults == [
        (("channel 1 is clipped",),),
        (("channel 1 stands still",),),
        (),
        (),  # within a block it cannot be told what is new
        (("channel 1 repeats itself",),),
    ]


@pytest.mark.usefixtures("short_pauses")
def test_lost_device_that_comes_back() -> None:
    """The same device is opened again; the gap and what follows at once are marked, and told."""
    first = InventedRecorder(noise(1))
    again = InventedRecorder(*(noise(seed) for seed in range(2, 10)))
    source, system, told = open_source(
        first, DeviceNotFound("not there"), CaptureStalled("hangs"), again
    )
    blocks = [source.read(4800) for _ in range(8)]
    source.close()

    assert first.ended
    assert [order.known for order in system.orders] == [None] + [first.opened] * 3
    assert blocks[0].faults == ()
    assert blocks[1].faults[0].startswith("the device was lost for ")
    assert blocks[1].faults[1:] == ("the device had just come back",)
    np.testing.assert_array_equal(blocks[1].signal.samples, noise(2))
    assert [block.faults for block in blocks[2:6]] == [("the device had just come back",)] * 4
    assert [block.faults for block in blocks[6:]] == [(), ()]
    assert told == [
        "The device 'Measuring microphone (hw:1,0), ALSA' has stopped; waiting up to 20 s for it "
        "to come back.",
        "The device 'Measuring microphone (hw:1,0), ALSA' is back after 0 s and the measurement "
        "goes on; what was lost is left out.",
    ]


@pytest.mark.usefixtures("short_pauses")
def test_why_a_device_that_is_there_cannot_be_opened_is_told_once() -> None:
    """Somebody has to know that another program has the device that is waited for."""
    taken = "see whether another program has it"
    source, _, told = open_source(
        InventedRecorder(), CaptureError(taken), CaptureError(taken), InventedRecorder(noise(1))
    )
    source.read(4800)
    source.close()

    assert told.count(taken) == 1


@pytest.mark.parametrize(
    ("return_s", "words"),
    [
        (0.0, r"'Measuring microphone \(hw:1,0\), ALSA' has stopped; check it and start again"),
        (0.05, "has stopped, and has not come back within 0.05 s; check it and start again"),
    ],
)
def test_lost_device_that_stays_away(return_s: float, words: str) -> None:
    """After its time, or at once where nobody wants to wait, one sentence ends it."""
    gone = DeviceNotFound("not there")
    source, _, _ = open_source(InventedRecorder(), gone, gone, return_s=return_s)

    with pytest.raises(CaptureStalled, match=words):
        source.read(4800)
    with pytest.raises(SoundEnded):
        source.read(4800)


def test_device_that_comes_and_goes_has_one_limit() -> None:
    """A loose contact does not begin the wait anew as long as nothing whole was heard."""
    loose = [InventedRecorder()]
    source, _, _ = open_source(loose[0], return_s=0.05)

    def comes_and_goes(*_: object) -> InventedRecorder:
        loose.append(InventedRecorder())
        return loose[-1]

    source._record = comes_and_goes

    with pytest.raises(CaptureStalled, match=r"within 0\.05 s"):
        source.read(4800)
    assert len(loose) > 2
    assert all(recorder.ended for recorder in loose)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"channels": 1}, "gives 1 channel.s. instead of 2"),
        ({"default_rate_hz": 44_100.0}, "runs at 44100 Hz instead of 48000 Hz"),
    ],
)
def test_device_that_comes_back_changed(changed: dict[str, float], words: str) -> None:
    """Fewer channels or another rate than before are refused, and the device given back."""
    fields = {name: getattr(DEVICE, name) for name in DEVICE.__slots__}
    other = InventedRecorder(noise(1), device=InputDevice(**fields | changed))
    source, _, _ = open_source(InventedRecorder(), other)

    with pytest.raises(CaptureError, match=rf"came back changed\. .*{words}"):
        source.read(4800)
    assert other.ended


def test_device_that_refuses_when_it_comes_back() -> None:
    """What it says about the rate it was used with ends the measurement."""
    source, _, _ = open_source(InventedRecorder(), SettingsError("It takes no 48000 Hz."))

    with pytest.raises(CaptureError, match=r"came back changed\. It takes no 48000 Hz"):
        source.read(4800)


def test_device_that_cannot_be_opened_at_first() -> None:
    """At the beginning nothing is waited for."""
    with pytest.raises(DeviceNotFound, match="no such"):
        open_source(DeviceNotFound("no such"))


def test_closing_ends_the_wait() -> None:
    """A source that is closed while it waits for its device does not go on waiting."""

    def close() -> Exception:
        source.close()
        return DeviceNotFound("not there")

    source, _, _ = open_source(InventedRecorder(), close)

    with pytest.raises(SoundEnded):
        source.read(4800)


def test_doubt_is_told() -> None:
    """That something stands between the microphone and the samples is said when it is opened."""
    server = InventedRecorder(device=InputDevice(0, "pulse", "ALSA", 32, 44_100))
    source, _, told = open_source(server)
    source.close()

    assert "use the device itself" in told[0]
