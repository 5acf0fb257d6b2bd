import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.signals import DigitalSignal, Samples
from acoustic.soundness import Stretch, faults_in, find_clipping, find_standstill, silent_channels

RATE_HZ = 48_000


def signal(*channels: Samples) -> DigitalSignal:
    """Make a signal of channels of equal length."""
    return DigitalSignal(np.column_stack(channels), RATE_HZ)


def noise(frames: int = RATE_HZ, seed: int = 1) -> Samples:
    """Make noise at 0.1 of full scale, as 16 bits would hold it."""
    exact = 0.1 * np.random.default_rng(seed).standard_normal(frames)
    return np.round(exact * 32768) / 32768


def test_sound_is_sound() -> None:
    """Noise and a full-scale sine that just fits have no fault."""
    sine = (1 - 2**-15) * np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(RATE_HZ))

    assert faults_in(signal(noise(), sine)) == ()
    assert find_clipping(signal(noise(), sine)) == ()


@pytest.mark.parametrize("top", [1.0, 1 - 2**-15, -1.0, 0.999, 1.5])
def test_three_equal_samples_at_full_scale_are_clipping(top: float) -> None:
    """Three samples at the end stop are found with channel and place, two are not."""
    cut = noise()
    cut[100:102] = top
    assert find_clipping(signal(noise(), cut)) == ()

    cut[102] = top
    assert find_clipping(signal(noise(), cut)) == (Stretch(1, 100 / RATE_HZ, 3 / RATE_HZ),)
    assert faults_in(signal(noise(), cut)) == ("channel 2 is clipped",)


def test_equal_samples_below_full_scale_are_no_clipping() -> None:
    """A flat top below 0.999 of full scale may be sound."""
    flat = noise()
    flat[100:110] = 0.9989

    assert find_clipping(signal(flat)) == ()


@pytest.mark.parametrize("where", [0, 1000, 2 * RATE_HZ - 10])
def test_clipping_at_the_edges(where: int) -> None:
    """A run is found at the beginning, in the middle and at the end."""
    cut = noise(2 * RATE_HZ)
    cut[where : where + 10] = -1.0

    assert find_clipping(signal(cut)) == (Stretch(0, where / RATE_HZ, 10 / RATE_HZ),)


@given(level_db=st.floats(0.5, 40), frequency_hz=st.floats(50, 5000))
def test_overdriven_sine_is_clipped_twice_a_period(level_db: float, frequency_hz: float) -> None:
    """A sine driven beyond full scale is found clipped at each of its tops, as geometry has it."""
    amplitude = 10 ** (level_db / 20)
    periods = 4
    frames = int(periods * RATE_HZ / frequency_hz)
    sine = amplitude * np.sin(2 * np.pi * frequency_hz / RATE_HZ * np.arange(frames))
    # The time above full scale in each half period is what arcsin says.
    clipped_frames = (0.5 - np.arcsin(1 / amplitude) / np.pi) * RATE_HZ / frequency_hz
    found = find_clipping(signal(np.clip(sine, -1, 1)))

    if clipped_frames > 4:
        assert len(found) == 2 * periods
        longest = max(stretch.duration_s for stretch in found) * RATE_HZ
        assert longest == pytest.approx(clipped_frames, abs=1.01)  # whole frames
    if clipped_frames < 2:
        assert found == ()


def test_standstill() -> None:
    """A value that lasts longer than 50 ms is found, one of just 50 ms is not."""
    held = noise()
    held[1000 : 1000 + 2400] = held[1000]
    assert find_standstill(signal(held)) == ()

    held[3400] = held[1000]
    assert find_standstill(signal(held, noise())) == (Stretch(0, 1000 / RATE_HZ, 2401 / RATE_HZ),)
    assert faults_in(signal(held, noise())) == ("channel 1 stands still",)
    assert find_standstill(signal(held), longest_s=0.06) == ()


@pytest.mark.parametrize("value", [0.0, 0.25, -1.0])
def test_silent_channels(value: float) -> None:
    """A channel of one value is silent whatever the value, and one different sample is sound."""
    constant = np.full(RATE_HZ, value)
    almost = constant.copy()
    almost[-1] += 2**-23

    assert silent_channels(signal(noise(), constant, almost)) == (1,)
    assert "channel 2 stands still" in faults_in(signal(noise(), constant, almost))
