"""Tests of the levels of every tenth of a second."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from sound_doubles import InventedInput, tone

from service.live.frames import SPECTRUM_HZ, THIRD_OCTAVES_HZ
from service.live.heard import HeardBlock
from service.live.levels import LevelChain
from service.live.scale import InputScale, uncalibrated
from service.ports import SoundBlock

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


def heard_blocks(source, count, first=0):
    """Read blocks of a tenth of a second."""
    for number in range(first, first + count):
        block = source.read(source.rate_hz // 10)
        yield HeardBlock(number, TIME + timedelta(seconds=0.1 * number), block)


def levels_of(chain, source, count):
    """Take the levels of some blocks."""
    return [levels for heard in heard_blocks(source, count) for levels in chain.hear(heard)]


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_a_calibrated_tone_reads_its_level(rate_hz):
    """94 dB at 1 kHz are 94 dB in every level that holds them, at every usual rate."""
    chain = LevelChain(rate_hz, InputScale((0,), np.array([2.0]), calibrated=True))

    last = levels_of(chain, InventedInput(tone(0.5), rate_hz=rate_hz), 22)[-1]

    known_db = 10 * np.log10(1.0 / 4e-10)
    assert last.calibrated
    assert last.LAeq_db == pytest.approx(known_db, abs=0.02)
    assert last.LAF_db == pytest.approx(known_db, abs=0.02)
    assert last.LAeq_1s_db == pytest.approx(known_db, abs=0.02)
    assert last.third_octaves_db[THIRD_OCTAVES_HZ.index(1000.0)] == pytest.approx(known_db, abs=0.1)
    assert last.third_octaves_db.shape == (31,)


def test_without_a_calibration_levels_are_re_full_scale():
    """A root mean square of 1.0 reads 0, and the level says that it is no sound pressure level."""
    chain = LevelChain(48_000, uncalibrated((0,)))

    last = levels_of(chain, InventedInput(tone(0.1)), 20)[-1]

    assert not last.calibrated
    assert last.LAeq_db == pytest.approx(-20.0, abs=0.02)


def test_channels_are_averaged_as_energy():
    """Two channels with factors of their own read the mean of their squares."""

    class TwoChannels(InventedInput):
        def read(self, frames):
            one = super().read(frames).signal
            both = np.column_stack([one.samples[:, 0], 0.0 * one.samples[:, 0]])
            return SoundBlock(type(one)(both, self.rate_hz))

    chain = LevelChain(48_000, InputScale((0, 1), np.array([2.0, 3.0]), calibrated=True))

    last = levels_of(chain, TwoChannels(tone(0.5)), 20)[-1]

    assert last.LAeq_db == pytest.approx(10 * np.log10(0.5 / 4e-10), abs=0.02)


def test_every_fifth_level_has_the_spectrum_of_the_last_half_second():
    """Its highest point is at the tone, with the tone's level."""
    chain = LevelChain(48_000, InputScale((0,), np.array([2.0]), calibrated=True))

    levels = levels_of(chain, InventedInput(tone(0.5, 100.0)), 22)

    with_spectrum = [each.number for each in levels if each.spectrum_db is not None]
    spectrum = levels[20].spectrum_db
    assert with_spectrum == [5, 10, 15, 20]
    assert SPECTRUM_HZ[np.argmax(spectrum)] == pytest.approx(100.0, rel=0.02)
    assert spectrum.max() == pytest.approx(93.98, abs=0.3)


def test_a_low_rate_leaves_what_it_does_not_reach_without_a_number():
    """At 8 kHz there is no band at 10 kHz."""
    chain = LevelChain(8_000, uncalibrated((0,)))

    last = levels_of(chain, InventedInput(tone(0.1), rate_hz=8_000), 11)[5]

    assert np.isnan(last.third_octaves_db[THIRD_OCTAVES_HZ.index(10_000.0)])
    assert np.isfinite(last.third_octaves_db[THIRD_OCTAVES_HZ.index(1000.0)])
    assert np.isnan(last.spectrum_db[-1])


def test_levels_keep_number_time_and_faults_of_their_block():
    """What speaks against a block stands beside its own level, not the next one's."""
    chain = LevelChain(48_000, uncalibrated((0,)))
    source = InventedInput()
    found = []
    for heard in heard_blocks(source, 8):
        source.faults = ("a bang",) if heard.number == 3 else ()
        found += chain.hear(heard)

    assert [each.number for each in found] == list(range(7))
    assert [each.number for each in found if each.faults] == [4]
    assert found[4].time == TIME + timedelta(seconds=0.4)
