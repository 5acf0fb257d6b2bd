import threading

import numpy as np
import pytest
from bench_doubles import HandClock
from hypothesis import given
from hypothesis import strategies as st

from service.capture.arrivals import Arrivals, FrameCount
from service.capture.patience import wait_patiently

RATE_HZ = 48_000
BLOCK = 4800


def count(times_s: list[float]) -> list[bool]:
    """Count blocks of 0.1 s that arrive at these times; tell which are in step."""
    frames = FrameCount(RATE_HZ)
    return [frames.fault_of(BLOCK, time_s) is None for time_s in times_s]


def test_regular_blocks_are_in_step() -> None:
    """Blocks that come when their frames say so are in step."""
    assert all(count([0.1 * n for n in range(100)]))


@pytest.mark.parametrize("ppm", [-300, 300])
def test_drifting_converter_is_in_step(ppm: float) -> None:
    """A converter that is 300 ppm off for an hour is no loss of sound."""
    assert all(count([0.1 * n * (1 + ppm * 1e-6) for n in range(36_000)]))


@given(st.lists(st.floats(0, 0.24), min_size=2, max_size=100))
def test_lumps_are_in_step(delays_s: list[float]) -> None:
    """Blocks that come up to a quarter of a second late now and then are no loss of sound."""
    assert all(count([0.1 * n + delay_s for n, delay_s in enumerate(delays_s)]))


@pytest.mark.parametrize("missing_s", [0.3, 5.0])
def test_missing_sound_is_marked_and_then_over(missing_s: float) -> None:
    """After a gap blocks are marked for about 2 s, and then the stream is trusted again."""
    times_s = [0.1 * n + (missing_s if n >= 50 else 0) for n in range(200)]
    steps = count(times_s)

    assert all(steps[:50])
    assert not any(steps[50:70])
    assert all(steps[72:])


def test_late_lump_is_marked_only_while_late() -> None:
    """Sound that comes late but whole is marked for that time only."""
    times_s = [0.1 * n for n in range(50)] + [5.6] * 7 + [0.1 * n for n in range(57, 100)]
    steps = count(times_s)

    assert not steps[50]
    assert all(steps[57:])


@pytest.mark.parametrize("ppm", [10_000, 88_000])
def test_device_that_runs_too_fast(ppm: float) -> None:
    """More sound than there was time for comes from another rate, and none of it counts."""
    frames = FrameCount(RATE_HZ)
    faults = [frames.fault_of(BLOCK, 0.1 * n / (1 + ppm * 1e-6)) for n in range(1000)]

    assert faults[0] is None
    # A quarter of a second early after two to settle, less what a converter may be off.
    since = round((2.0 + 0.25 / (ppm - 500) * 1e6) / 0.1)
    assert {str(fault)[:13] for fault in faults[since + 5 :]} == {"it came early"}


def test_device_that_runs_too_slow() -> None:
    """Less sound than there was time for is missing sound, again and again."""
    steps = count([0.1 * n * 1.09 for n in range(1000)])

    assert steps[0]
    assert sum(steps) < 700


def test_sound_that_catches_up_is_not_early() -> None:
    """A server that was behind for long and delivers the rest later is not taken for too fast."""
    times_s = [0.1 * n + (1.0 if 30 <= n < 80 else 0.0) for n in range(150)]

    assert all(count(times_s)[81:])


def block(start: int, frames: int = 10) -> np.ndarray:
    """Return a block of a counter."""
    return np.arange(start, start + frames, dtype=np.float32)[:, np.newaxis]


def test_frames_come_in_order_with_their_faults() -> None:
    """Any length can be taken, with the faults of the blocks it touches and of no others."""
    arrivals = Arrivals(10, clock=lambda: 0.1)
    for number, faults in enumerate([(), ("a",), (), ("b",)]):
        arrivals.put(block(10 * number), faults, 0.0)

    taken = [arrivals.take(frames, 20) for frames in (5, 10, 15, 10)]

    assert [None if heard is None else heard.faults for heard in taken] == [
        (),
        ("a",),
        ("a",),
        ("b",),
    ]
    samples = np.concatenate([heard.samples for heard in taken if heard is not None])
    np.testing.assert_array_equal(samples[:, 0], np.arange(40))


def test_oldest_are_dropped() -> None:
    """When nobody takes them the oldest blocks go, and the next sound says that some is missing."""
    arrivals = Arrivals(3, clock=lambda: 0.1)
    for number in range(5):
        arrivals.put(block(10 * number), (), 0.0)

    first, second = arrivals.take(10, 20), arrivals.take(10, 20)

    assert first is not None
    assert second is not None
    assert first.samples[0, 0] == 20
    assert first.faults == ("sound was dropped, as nobody took it in time",)
    assert second.faults == ()


def test_waits_for_what_comes_later() -> None:
    """A take waits for blocks from another thread."""
    arrivals = Arrivals(10, clock=lambda: 0.1)
    arrivals.put(block(0), (), 0.0)
    writer = threading.Thread(target=lambda: arrivals.put(block(10), (), 0.0))
    writer.start()
    heard = arrivals.take(20, 20)
    writer.join()

    assert heard is not None
    assert len(heard.samples) == 20


def test_nothing_comes_any_more() -> None:
    """A take gives up after the limit, and at once when it is known that nothing will come."""
    arrivals = Arrivals(10, clock=lambda: 0.1)
    assert arrivals.take(1, 0.01) is None
    assert not arrivals.finished

    arrivals.put(block(0), (), 0.0)
    arrivals.finish()
    assert arrivals.take(10, 20) is not None
    assert arrivals.take(1, 20) is None
    assert arrivals.finished


def test_sound_that_waited_for_long_is_marked() -> None:
    """Sound older than what a speed may take to be heard belongs to other speeds."""
    clock = HandClock()
    arrivals = Arrivals(10, clock=clock)
    for number in range(2):
        arrivals.put(block(10 * number), (), clock.now_s + number)
    clock.now_s += 2.0
    old, new = arrivals.take(10, 20), arrivals.take(10, 20)

    assert old is not None
    assert new is not None
    assert old.faults == ("it waited too long to belong to what is set now",)
    assert new.faults == ()


def test_a_suspended_process_has_not_waited() -> None:
    """Patience is used up by short waits, not by the clock that goes on while nothing runs."""
    asked: list[float] = []

    def wait(seconds: float) -> bool:
        asked.append(seconds)
        return len(asked) == 13

    assert wait_patiently(wait, 1.5)
    assert asked == [pytest.approx(0.1)] * 13
    assert not wait_patiently(lambda _: False, 1.5)
    assert wait_patiently(lambda _: True, 0.0)
