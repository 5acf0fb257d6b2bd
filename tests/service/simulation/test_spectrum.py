import numpy as np
import pytest
from scipy.signal import freqz
from spectral_levels import laeq_db, power_spectrum_pa2

from acoustic.standard_tables import FREQUENCY_WEIGHTINGS
from service.simulation.spectrum import NoiseShape, ShapedNoise, a_weighting_db, pressure_pa

SHAPES = [NoiseShape(60.0, (350.0, 2600.0)), NoiseShape(15.0, (70.0, 1800.0))]


@pytest.mark.parametrize("row", FREQUENCY_WEIGHTINGS, ids=lambda row: f"{row.nominal_hz:g}")
def test_a_weighting_follows_the_table(row):
    """The closed form gives the design goal at every tabulated frequency."""
    exact_hz = 1000.0 * 10.0 ** (round(10.0 * np.log10(row.nominal_hz / 1000.0)) / 10.0)

    actual_db = a_weighting_db(np.asarray(exact_hz))

    assert actual_db == pytest.approx(row.A_db, abs=0.051)  # the table is rounded to 0.1 dB


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("shape", SHAPES, ids=["fan", "room"])
def test_shape_is_the_response_of_its_filter(shape, rate_hz):
    """The closed form of the power agrees with the filter evaluated on the unit circle."""
    frequency_hz = np.geomspace(10.0, 0.45 * rate_hz, 60)
    _, response = freqz(*shape.filter_coefficients(rate_hz), worN=frequency_hz, fs=rate_hz)

    ratio_db = 10.0 * np.log10(shape.power(frequency_hz, rate_hz) / np.abs(response) ** 2)

    assert np.abs(ratio_db).max() < 1e-6


def test_corners_stand_where_they_were_asked():
    """A lone corner far from the others takes 3 dB at its own frequency."""
    shape = NoiseShape(highpass_hz=1.0, lowpass_hz=(1000.0, 20_000.0))

    power = shape.power(np.array([50.0, 1000.0]), 192_000.0)

    assert 10.0 * np.log10(power[1] / power[0]) == pytest.approx(-3.01, abs=0.02)


@pytest.mark.parametrize(
    ("shape", "rate_hz"),
    [(SHAPES[0], 44_100), (SHAPES[0], 48_000), (SHAPES[1], 96_000), (SHAPES[1], 192_000)],
    ids=["fan-44100", "fan-48000", "room-96000", "room-192000"],
)
def test_noise_has_the_level_it_was_made_for(shape, rate_hz):
    """A minute of noise reads its A-weighted level at every rate."""
    noise = ShapedNoise(shape, rate_hz, np.random.default_rng(11))

    samples = noise.draw(60 * rate_hz) * pressure_pa(40.0)

    # 0.05 dB: three times the scatter of a minute of noise about 1 kHz wide.
    assert laeq_db(samples, rate_hz) == pytest.approx(40.0, abs=0.05)


def test_noise_is_spread_as_its_shape_says():
    """Every octave of the noise carries the share that the closed form gives it."""
    shape, rate_hz = SHAPES[0], 48_000
    samples = ShapedNoise(shape, rate_hz, np.random.default_rng(5)).draw(60 * rate_hz)
    frequency_hz, power = power_spectrum_pa2(samples, rate_hz)
    density = shape.power(frequency_hz, rate_hz)

    for low_hz in 62.5 * 2.0 ** np.arange(8):
        octave = (frequency_hz >= low_hz) & (frequency_hz < 2.0 * low_hz)
        reference = (frequency_hz >= 500.0) & (frequency_hz < 1000.0)
        expected = density[octave].sum() / density[reference].sum()
        actual = power[octave].sum() / power[reference].sum()

        assert 10.0 * np.log10(actual / expected) == pytest.approx(0.0, abs=0.3)


def test_no_level_is_silence():
    """A level of minus infinity is no pressure at all."""
    assert pressure_pa(-np.inf) == 0.0
