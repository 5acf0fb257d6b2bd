"""Single segments against the averaged spectrum and Parseval's theorem."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.errors import SignalError
from acoustic.segments import hear_segments, start_segments
from acoustic.signals import PressureSignal
from acoustic.spectrum import spectrum_of

RATE_HZ = 8000
WHOLE = np.random.default_rng(1).normal(size=(20_000, 2))


def heard(cuts, samples=WHOLE, spacing_hz=5.0):
    """All segments of a sound that comes in parts."""
    state, found = start_segments(RATE_HZ, samples.shape[1], spacing_hz=spacing_hz), []
    for part in np.split(samples, cuts):
        state, powers = hear_segments(state, PressureSignal(part, RATE_HZ))
        found += powers
    numbers = np.concatenate([each.first + np.arange(len(each)) for each in found])
    assert numbers.tolist() == list(range(state.heard))
    return state, np.concatenate([each.density_pa2_per_hz for each in found])


def test_their_mean_is_the_averaged_spectrum():
    """The mean over segments and channels is what the averaged spectrum says."""
    state, density = heard([])
    whole = spectrum_of(PressureSignal(WHOLE, RATE_HZ), spacing_hz=5.0)

    assert len(density) == whole.averages
    assert state.spacing_hz == whole.spacing_hz
    expected = whole.density_pa2_per_hz.mean(axis=1)
    # Single precision, against the whole sound.
    assert density.mean(axis=0) == pytest.approx(expected, rel=1e-4, abs=1e-7 * expected.max())


@given(cuts=st.lists(st.integers(0, 20_000), max_size=6).map(sorted))
def test_cutting_the_sound_changes_nothing(cuts):
    """However the sound is cut into blocks, the segments are the same."""
    expected = heard([])[1]

    assert np.array_equal(heard(cuts)[1], expected)


def test_a_segment_holds_what_sounds_while_it_lasts():
    """A tone of 1 Pa RMS reads 1 Pa^2 on its line, only where it sounds."""
    time_s = np.arange(5 * RATE_HZ) / RATE_HZ
    tone = np.sqrt(2) * np.sin(2 * np.pi * 1000 * time_s) * (time_s >= 2.5)
    state, density = heard([], tone[:, None])
    line = round(1000 / state.spacing_hz)
    power = density[:, line] * 1.5 * state.spacing_hz
    begins_s = state.hop_s * np.arange(len(density))

    assert power[begins_s >= 2.5] == pytest.approx(1.0, abs=1e-4)
    assert power[begins_s + 2 * state.hop_s <= 2.5] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("channels", "spacing_hz"), [(0, 5.0), (1, 0.0), (1, 900.0)])
def test_what_cannot_be_made_is_refused(channels, spacing_hz):
    """No channel, or lines that the rate does not give, are errors."""
    with pytest.raises(SignalError, match="cannot be made"):
        start_segments(RATE_HZ, channels, spacing_hz=spacing_hz)
