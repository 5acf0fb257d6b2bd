"""Averaged spectra against closed forms and an independent estimator."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import welch

from acoustic.errors import SignalError
from acoustic.frequency_weighting import a_weighting_db
from acoustic.signals import PressureSignal
from acoustic.spectrum import add_to_spectrum, averaged_spectrum, spectrum_of, start_spectrum


def noise(frames, channels=1):
    """Reproducible white noise of 1 Pa RMS."""
    return np.random.default_rng(4).normal(size=(frames, channels))


def test_a_tone_on_a_line_reads_its_level():
    """A tone of 1 Pa RMS has a power of 1 Pa^2 on its line, whatever the spacing."""
    time_s = np.arange(48_000) / 16_000
    tone = PressureSignal(np.sqrt(2) * np.sin(2 * np.pi * 1000 * time_s)[:, None], 16_000)

    for spacing_hz in (1.0, 5.0, 20.0):
        spectrum = spectrum_of(tone, spacing_hz=spacing_hz)
        line = round(1000 / spectrum.spacing_hz)
        assert spectrum.power_pa2[line, 0] == pytest.approx(1.0, rel=1e-6)


def test_densities_add_up_to_the_mean_square():
    """The sum over lines times their spacing is the mean square of a noise."""
    samples = noise(160_000)
    spectrum = spectrum_of(PressureSignal(samples, 16_000), spacing_hz=2.0)

    # The ends of the signal count less than its middle.
    assert spectrum.density_pa2_per_hz.sum() * spectrum.spacing_hz == pytest.approx(
        np.mean(samples**2), rel=0.005
    )
    assert spectrum.density_pa2_per_hz[100:-100].mean() == pytest.approx(1 / 8000, rel=0.01)


@pytest.mark.parametrize("rate_hz", [11_025, 16_000])
def test_both_scalings_agree_with_an_independent_estimator(rate_hz):
    """Density and power are those of SciPy's estimator for the same segments."""
    samples = noise(3 * rate_hz, 2)
    spectrum = spectrum_of(PressureSignal(samples, rate_hz), spacing_hz=4.0)
    frames = round(rate_hz / spectrum.spacing_hz)

    for scaling, ours in (
        ("density", spectrum.density_pa2_per_hz),
        ("spectrum", spectrum.power_pa2),
    ):
        frequency_hz, theirs = welch(
            samples, rate_hz, nperseg=frames, detrend=False, scaling=scaling, axis=0
        )
        # At 0 Hz and half the rate the two differ in no way that a tone would show.
        assert ours == pytest.approx(theirs, rel=1e-9)
        assert spectrum.frequency_hz == pytest.approx(frequency_hz)


@given(cuts=st.lists(st.integers(0, 9000), max_size=6))
def test_blocks_of_any_size_change_nothing(cuts):
    """However the sound is cut, the spectrum is the same."""
    samples = noise(9000, 2)
    state = start_spectrum(8000, 2, spacing_hz=8.0)
    for part in np.split(samples, sorted(cuts)):
        state = add_to_spectrum(state, PressureSignal(part, 8000))
    whole = spectrum_of(PressureSignal(samples, 8000), spacing_hz=8.0)

    assert averaged_spectrum(state).averages == whole.averages
    assert averaged_spectrum(state).density_pa2_per_hz == pytest.approx(
        whole.density_pa2_per_hz, rel=1e-9
    )


def test_memory_does_not_grow_with_the_sound():
    """However long the sound, the state holds less than a segment and one sum."""
    state = start_spectrum(8000, 1, spacing_hz=8.0)
    for _ in range(50):
        state = add_to_spectrum(state, PressureSignal(noise(1500), 8000))

    assert len(state.tail) < state.segment_frames


def test_weighting_shifts_every_line_by_its_definition():
    """A-weighting on demand changes each line by the weighting at its frequency."""
    spectrum = spectrum_of(PressureSignal(noise(16_000), 16_000), spacing_hz=10.0)
    change_db = spectrum.a_weighted().density_level_db - spectrum.density_level_db

    assert change_db[1:, 0] == pytest.approx(a_weighting_db(spectrum.frequency_hz[1:]))
    assert spectrum.a_weighted().density_pa2_per_hz[0, 0] == 0.0


def test_channels_average_as_power():
    """The average over channels is that of their densities."""
    spectrum = spectrum_of(PressureSignal(noise(16_000, 3), 16_000), spacing_hz=10.0)

    assert spectrum.mean_of_channels().density_pa2_per_hz[:, 0] == pytest.approx(
        spectrum.density_pa2_per_hz.mean(axis=1)
    )


def test_silence_reads_minus_infinity():
    """Lines of silence have no level and cost no warning."""
    spectrum = spectrum_of(PressureSignal(np.zeros((8000, 1)), 8000), spacing_hz=10.0)

    assert np.isneginf(spectrum.power_level_db).all()


def test_unusable_input_is_refused():
    """Too little sound, foreign blocks and senseless spacings are errors."""
    state = start_spectrum(8000, 1, spacing_hz=1.0)

    with pytest.raises(SignalError, match=r"needs 1 s of sound, but only 0\.000125 s"):
        averaged_spectrum(add_to_spectrum(state, PressureSignal(np.zeros((1, 1)), 8000)))
    with pytest.raises(SignalError, match="start a new one"):
        add_to_spectrum(state, PressureSignal(np.zeros((1, 2)), 8000))
    with pytest.raises(SignalError, match="spacing above zero"):
        start_spectrum(8000, 1, spacing_hz=0.0)
    with pytest.raises(SignalError, match="at least one channel"):
        start_spectrum(8000, 0, spacing_hz=1.0)
