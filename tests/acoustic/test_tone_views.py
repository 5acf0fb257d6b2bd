"""What is drawn of tones: the noise beside them, the criterion above it, and pairs of them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.critical_bands import critical_bandwidth_hz
from acoustic.errors import InputError
from acoustic.noise_curve import noise_curve_db
from acoustic.prominence import prominent_from_db
from acoustic.signals import PressureSignal
from acoustic.spectrum import Spectrum, spectrum_of
from acoustic.tone_pairs import pair_tones
from acoustic.tones import DiscreteTone, discrete_tones, noise_beside_tones

RATE_HZ = 32_000
DENSITY = 1e-8


def sound(*tones, seconds=20):
    """Spectrum of tones, each of a frequency and a power, in white noise."""
    time_s = np.arange(seconds * RATE_HZ) / RATE_HZ
    samples = np.sqrt(DENSITY * RATE_HZ / 2) * np.random.default_rng(3).normal(size=time_s.size)
    for frequency_hz, power in tones:
        samples += np.sqrt(2 * power) * np.sin(2 * np.pi * frequency_hz * time_s)
    return spectrum_of(PressureSignal(samples[:, None], RATE_HZ), spacing_hz=1.0)


def tone(frequency_hz):
    """Make a tone of which only the frequency matters."""
    return DiscreteTone(float(frequency_hz), 40.0, 10.0, 10.0, prominent=True)


def test_the_noise_is_what_it_is_without_the_tones():
    """Tones of 40 dB over their surroundings leave nothing behind."""
    power = 1e4 * DENSITY * critical_bandwidth_hz(1000)
    noise = noise_beside_tones(sound((440.0, power), (1000.3, power), (1012.0, power)))
    beside = noise.density_pa2_per_hz[420:1040, 0]

    assert beside.max() < 2.5 * DENSITY
    assert beside.mean() == pytest.approx(DENSITY, rel=0.05)


@pytest.mark.parametrize("frequency_hz", [95.0, 300.0, 1000.0, 4000.0])
def test_a_tone_is_prominent_from_the_curve_on(frequency_hz):
    """A tone 1 dB above the curve is prominent by its ratio, one 1 dB below is not."""
    (curve_db,) = prominent_from_db(
        noise_beside_tones(sound()), np.array([frequency_hz]), calibrated=False
    )
    for above_db, expected in ((1.0, True), (-1.0, False)):
        power = 20e-6**2 * 10 ** ((curve_db + above_db) / 10)
        found = discrete_tones(sound((frequency_hz, power)), calibrated=False)

        assert [each.prominent for each in found] == [expected]


def test_the_curve_ends_where_tones_are_not_assessed():
    """Outside 89.1 Hz to 11.2 kHz, and where the spectrum ends, there is no criterion."""
    low = Spectrum(1.0, 1.5, np.ones((4001, 1)), 40)
    curve = prominent_from_db(low, np.array([60.0, 100.0, 3900.0, 12_000.0]), calibrated=False)

    assert np.isfinite(curve).tolist() == [False, True, False, False]


def test_what_nobody_hears_is_never_prominent():
    """With a calibration the curve does not fall below the threshold of hearing."""
    faint = Spectrum(1.0, 1.5, np.full((20_001, 1), 1e-20), 40)
    (curve,) = prominent_from_db(faint, np.array([1000.0]), calibrated=True)

    assert curve == pytest.approx(2.4)


def test_a_curve_keeps_the_power_of_the_noise():
    """Points times their widths sum to the power of the lines they cover."""
    spectrum = sound()
    edges_hz = np.linspace(100, 10_100, 101)
    density = 20e-6**2 * 10 ** (noise_curve_db(spectrum, edges_hz) / 10)

    assert density.sum() * 100 == pytest.approx(
        spectrum.density_pa2_per_hz[101:10_100, 0].sum(), rel=0.001
    )
    assert np.isnan(noise_curve_db(spectrum, np.array([15_900.0, 17_000.0]))).all()


def test_a_curve_of_several_channels_is_refused():
    """A curve is one of a single channel, over rising frequencies."""
    both = Spectrum(1.0, 1.5, np.ones((101, 2)), 40)
    one = Spectrum(1.0, 1.5, np.ones((101, 1)), 40)

    with pytest.raises(InputError, match="one channel"):
        noise_curve_db(both, np.array([10.0, 20.0]))
    with pytest.raises(InputError, match="rise"):
        noise_curve_db(one, np.array([20.0, 10.0]))
    with pytest.raises(InputError, match="one channel"):
        prominent_from_db(both, np.array([100.0]), calibrated=False)


def test_tones_that_moved_a_little_are_pairs():
    """Tones within 2 % are pairs, others stand alone."""
    pairs = pair_tones([tone(100), tone(500), tone(900)], [tone(101), tone(515), tone(2000)])

    assert [(a and a.frequency_hz, b and b.frequency_hz) for a, b in pairs] == [
        (100, 101),
        (500, None),
        (None, 515),
        (900, None),
        (None, 2000),
    ]


@given(
    first=st.lists(st.floats(89, 11_200), max_size=8, unique=True),
    second=st.lists(st.floats(89, 11_200), max_size=8, unique=True),
)
def test_every_tone_is_in_one_pair(first, second):
    """Whatever the tones, each is there once, in order, and the other way round it is the same."""
    pairs = pair_tones([tone(f) for f in first], [tone(f) for f in second])
    turned = pair_tones([tone(f) for f in second], [tone(f) for f in first])

    assert sorted(a.frequency_hz for a, _ in pairs if a) == sorted(first)
    assert sorted(b.frequency_hz for _, b in pairs if b) == sorted(second)
    assert {(b, a) for a, b in turned} == set(pairs)
