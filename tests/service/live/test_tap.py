"""Tests of the live sound as one measurement hears it."""

import threading

import numpy as np
import pytest
from sound_doubles import WAIT_S

from acoustic.signals import DigitalSignal
from service.errors import CaptureError, Halted, SoundEnded
from service.live.tap import SoundTap
from service.ports import SoundBlock

RATE_HZ = 1000


@pytest.fixture
def tap():
    """Make a tap of two channels."""
    return SoundTap("device:x", RATE_HZ, 2, changed=threading.Condition(), let_go=lambda _: None)


def block(first, frames=100, faults=(), channel_faults=()):
    """Make a block that counts its frames."""
    count = np.arange(first, first + frames) / 2**20
    return SoundBlock(
        DigitalSignal(np.column_stack([count, -count]), RATE_HZ), faults, channel_faults
    )


def test_reads_of_any_length_give_the_sound_as_it_came(tap):
    """Neither a frame is lost nor is one given twice, however blocks and reads are cut."""
    for first in range(0, 700, 100):
        tap.give(block(first))

    taken = np.concatenate([tap.read(frames).signal.samples for frames in (30, 270, 1, 399)])

    assert np.array_equal(taken[:, 0], np.arange(700) / 2**20)
    assert np.array_equal(taken[:, 1], -np.arange(700) / 2**20)


def test_a_read_has_the_faults_of_every_block_it_touches(tap):
    """A fault counts for each read that holds some of its block, in the channel it belongs to."""
    tap.give(block(0))
    tap.give(
        block(100, faults=("channel 2 is clipped",), channel_faults=((), ("channel 2 is clipped",)))
    )
    tap.give(block(200))

    found = [tap.read(60) for _ in range(5)]

    assert [one.faults != () for one in found] == [False, True, True, True, False]
    assert found[1].faults_of([0]) == ()
    assert found[1].faults_of([1]) == ("channel 2 is clipped",)


def test_a_measurement_that_falls_behind_is_told_so(tap):
    """After a second that nobody took, the newest sound is given, and says what is missing."""
    for first in range(0, 1100, 100):
        tap.give(block(first))

    late, next_one = tap.read(50), tap.read(50)

    assert late.signal.samples[0, 0] == 1000 / 2**20
    assert "fell behind by 1.0 s" in late.faults[0]
    assert next_one.faults == ()


def test_a_long_read_is_no_backlog(tap):
    """Who asks for three seconds at once gets them whole."""
    taken = []
    reader = threading.Thread(target=lambda: taken.append(tap.read(3000)))
    reader.start()
    while not tap.gives_way(ahead_s=0.0):
        pass
    for first in range(0, 3000, 100):
        tap.give(block(first))
    reader.join(WAIT_S)

    assert len(taken[0].signal.samples) == 3000
    assert taken[0].faults == ()


@pytest.mark.parametrize("error", [CaptureError("The cable was pulled."), Halted("Stop.")])
def test_an_end_reaches_a_read_that_waits(tap, error):
    """A measurement that waits for sound ends with the reason, and so does every later read."""
    threading.Timer(0.01, lambda: tap.end(error)).start()

    with pytest.raises(type(error), match=str(error)):
        tap.read(10)
    tap.end(CaptureError("Something later."))
    with pytest.raises(type(error), match=str(error)):
        tap.read(10)


def test_a_closed_tap_gives_nothing(tap):
    """What was let go says so."""
    tap.give(block(0))
    tap.close()
    tap.close()

    with pytest.raises(SoundEnded, match="was closed"):
        tap.read(10)
