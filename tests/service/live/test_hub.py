"""Tests of the reader of the microphone and of the live view behind it."""

import threading
from contextlib import closing
from datetime import UTC, datetime

import numpy as np
import pytest
from sound_doubles import WAIT_S, InventedInput, tone

from service.errors import CaptureError, DeviceNotFound
from service.live.feed import LiveFeed
from service.live.hub import SoundHub
from service.live.pace import OWN_PACE, Pace
from service.live.scale import InputScale, uncalibrated
from service.live.worker import LiveWorker, Surroundings

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
ON_DEMAND = Pace(speed=None, waits=True, on_demand=True)


class Reading:
    """A hub with its worker on invented inputs, which ends with the test."""

    def __init__(self, pace=ON_DEMAND):
        self.sources, self.minutes, self.states = [], [], []
        self.next_sources = []
        self.around = Surroundings(floor_db=26.0, target_db=40.0)
        self.scale = InputScale((0,), np.array([2.0]), calibrated=True)
        self.lost, self.found = threading.Event(), threading.Event()
        self.feed = LiveFeed()
        self.worker = LiveWorker(
            self.feed,
            scale_of=lambda _: self.scale,
            surroundings=lambda: self.around,
            keep=self.minutes.append,
        )
        self.hub = SoundHub(
            self.open,
            pace=pace,
            listener=self.worker,
            now=lambda: TIME,
            changed=self.changed,
            pauses_s=(0.001, 0.001),
        )
        self.worker.on_room = self.feed.on_wait = self.hub.wake

    def open(self):
        """Open the next input."""
        source = self.next_sources.pop(0) if self.next_sources else InventedInput(tone(0.5))
        if isinstance(source, Exception):
            raise source
        self.sources.append(source)
        return source

    def changed(self, state):
        """Note a state."""
        self.states.append(state)
        (self.found if state.connected else self.lost).set()

    def start(self):
        """Begin."""
        self.worker.start()
        self.hub.start()

    def close(self):
        """End in the written order."""
        self.hub.close()
        self.worker.close()


@pytest.fixture
def reading():
    """Make a reading that ends."""
    made = Reading()
    yield made
    made.close()


def frames(reading, count):
    """Take as many frames, of which some may be missing in between."""
    with reading.feed.subscribe() as reader:
        return [reader.take(WAIT_S) for _ in range(count)]


def test_frames_show_what_is_heard_and_what_surrounds_it(reading):
    """A calibrated tone reads its level once F has risen, beside floor and target."""
    reading.start()

    found = frames(reading, 20)

    assert all(frame.valid == (frame.number >= 7) for frame in found)
    assert all("still rise" in frame.faults[0] for frame in found if not frame.valid)
    assert found[-1].LAF_db == pytest.approx(93.98, abs=0.05)
    assert found[-1].LAeq_db == pytest.approx(93.98, abs=0.05)
    assert found[-1].LAeq_s == pytest.approx(0.1 * (found[-1].number - 6))
    assert (found[-1].floor_db, found[-1].target_db) == (26.0, 40.0)


def test_an_uncalibrated_input_shows_no_sound_pressure(reading):
    """Without a calibration a frame says so, and has neither floor nor target beside it."""
    reading.scale = uncalibrated((0,))
    reading.start()

    last = frames(reading, 12)[-1]

    assert not last.calibrated
    assert last.LAF_db == pytest.approx(20 * np.log10(0.5), abs=0.1)
    assert (last.floor_db, last.target_db) == (None, None)


def test_a_calibration_counts_from_the_next_block_on(reading):
    """The levels of one frame never come from two calibrations."""
    reading.scale = uncalibrated((0,))
    reading.start()
    frames(reading, 9)
    reading.worker.rescale(InputScale((0,), np.array([2.0]), calibrated=True))

    later = frames(reading, 12)[-1]

    assert later.calibrated
    assert later.LAeq_db == pytest.approx(93.98, abs=0.05)


def test_a_reset_begins_the_running_level_anew(reading):
    """The seconds behind the running level count from the reset."""
    reading.start()
    before = frames(reading, 20)[-1]
    reading.worker.reset()

    after = frames(reading, 3)[-1]
    assert after.LAeq_s <= 0.1 * (after.number - before.number)


def test_a_faulty_block_is_shown_and_enters_no_level(reading):
    """A frame with a fault says why, and the running level stays as it was."""
    source = InventedInput(tone(0.5))
    reading.next_sources = [source]
    reading.start()
    before = frames(reading, 12)[-1]
    source.faults, source.samples = ("a bang",), tone(5.0)

    bad = frames(reading, 20)[-1]

    assert bad.faults == ("a bang",)
    assert bad.LAF_db > 100.0
    assert bad.LAeq_db == pytest.approx(before.LAeq_db, abs=0.05)


def test_a_measurement_hears_every_sample_once(reading):
    """What a measurement reads goes on where its last read ended, from an input read on demand."""
    source = InventedInput(lambda time_s: time_s / 1000.0)
    reading.next_sources = [source]
    reading.start()
    tap = reading.hub.listen()

    heard = np.concatenate([tap.read(frames).signal.samples[:, 0] for frames in (4800, 48, 20_000)])
    tap.close()

    assert np.allclose(np.diff(heard), 1.0 / 48_000 / 1000.0, rtol=1e-6)
    assert source.taken <= heard[-1] * 1000 * 48_000 + 2 * 4800


def test_only_one_measurement_listens_at_a_time(reading):
    """A second one is refused until the first is done."""
    reading.start()
    first = reading.hub.listen()

    with pytest.raises(CaptureError, match="Another measurement"):
        reading.hub.listen()
    first.close()
    reading.hub.listen().close()


def test_a_lost_input_ends_the_measurement_and_is_opened_again(reading):
    """The measurement gets the reason; live view and later measurements go on."""
    source = InventedInput(tone(0.5))
    reading.next_sources = [source]
    reading.start()
    tap = reading.hub.listen()
    tap.read(4800)
    reading.found.clear()
    source.lost = True

    with pytest.raises(CaptureError, match="cable was pulled"):
        tap.read(48_000)
    tap.close()
    assert reading.found.wait(WAIT_S)
    assert source.closed == 1
    with closing(reading.hub.listen()) as later:
        assert len(later.read(100).signal.samples) == 100
    assert [state.connected for state in reading.states] == [True, False, True]
    assert reading.states[1].why == "The cable was pulled."
    assert frames(reading, 1)[0] is not None


def test_an_input_that_is_not_there_is_tried_again(reading):
    """A device that is missing at the start is found when it appears; since when is told once."""
    missing = DeviceNotFound("There is no such device.")
    reading.next_sources = [missing, DeviceNotFound("There is no such device.")]
    reading.start()

    assert reading.hub.listen(WAIT_S).rate_hz == 48_000
    assert [state.connected for state in reading.states] == [False, False, True]


def test_a_broken_driver_ends_nothing_else(reading):
    """Even an error nobody thought of is a lost input."""
    broken = InventedInput()
    broken.read = lambda _: 1 / 0
    reading.next_sources = [broken]
    reading.start()

    with reading.feed.subscribe() as reader:
        assert reader.take(WAIT_S) is not None
    assert "division by zero" in reading.states[1].why
    assert len(reading.hub.listen(WAIT_S).read(100).signal.samples) == 100


def test_a_device_that_delivers_nothing_is_silent():
    """How long nothing came is known although the input still counts as connected."""
    reading, clock = Reading(OWN_PACE), [100.0]
    held = threading.Event()
    source = InventedInput()
    source.read = lambda _: held.wait(WAIT_S) and None
    source.close = held.set
    reading.next_sources = [source]
    reading.hub._monotonic = lambda: clock[0]
    reading.start()
    assert reading.found.wait(WAIT_S)
    clock[0] += 3.0

    silent_s, connected = reading.hub.silent_s, reading.hub.state.connected
    reading.close()

    assert (silent_s, connected) == (3.0, True)


def test_the_level_log_is_kept_to_the_last_second():
    """At the end the minute that has begun is kept as far as it came."""
    reading = Reading()
    reading.start()
    frames(reading, 12)
    reading.close()
    reading.close()

    (minute,) = reading.minutes
    assert minute.input == "invented:input"
    assert minute.unit == "db"
    assert np.isfinite(minute.levels[:, 0]).any()


def test_the_end_wakes_a_measurement_that_waits():
    """A measurement never waits for sound that will not come."""
    reading = Reading()
    held = threading.Event()
    source = InventedInput()
    source.read = lambda _: held.wait(WAIT_S) and None
    source.close = held.set
    reading.next_sources = [source]
    reading.start()
    tap = reading.hub.listen()
    caught = []

    def measure():
        try:
            tap.read(100)
        except CaptureError as error:
            caught.append(str(error))

    measuring = threading.Thread(target=measure)
    measuring.start()
    reading.close()
    measuring.join(WAIT_S)

    assert caught
    with pytest.raises(CaptureError):
        reading.hub.listen(0.0)


def test_a_device_is_read_whoever_keeps_up():
    """The reader of a device waits for nobody: a measurement that does not read misses sound."""
    reading = Reading(OWN_PACE)
    source = InventedInput()
    source.blocks_left = 40
    reading.next_sources = [source]
    start = threading.Event()
    plain_read = source.read

    def read(frames):
        start.wait(WAIT_S)
        return plain_read(frames)

    source.read = read
    reading.start()
    tap = reading.hub.listen()
    lost = reading.lost
    start.set()

    assert lost.wait(WAIT_S)
    assert source.blocks_left == 0
    with pytest.raises(CaptureError, match="That was all"):
        tap.read(4800)
    reading.close()
