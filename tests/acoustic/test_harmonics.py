"""Families of tones that were made as harmonics, and random tones that are none."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.errors import InputError
from acoustic.harmonics import FREQUENCY_ACCURACY, harmonic_families
from acoustic.signals import PressureSignal
from acoustic.spectrum import spectrum_of
from acoustic.tones import DiscreteTone, discrete_tones


def tone(frequency_hz, level_db=40.0):
    """Make a tone of which only frequency and level matter here."""
    return DiscreteTone(float(frequency_hz), float(level_db), 10.0, 10.0, prominent=True)


def measured(rng, fundamental_hz, orders, level_db=40.0):
    """Harmonics as they are measured: each off by up to the accuracy of its frequency."""
    off = 1 + FREQUENCY_ACCURACY * rng.uniform(-0.9, 0.9, len(orders))
    return [tone(f, level_db) for f in fundamental_hz * np.array(orders) * off]


def random_tones(rng, count, *, evenly):
    """Tones that have nothing to do with one another, over the range that is searched."""
    if evenly:
        return [tone(f) for f in rng.uniform(89.1, 5000, count)]
    return [tone(f) for f in np.exp(rng.uniform(np.log(89.1), np.log(11_200), count))]


def orders_of(family):
    """Orders of the tones of a family."""
    return [harmonic.order for harmonic in family.harmonics]


@pytest.mark.parametrize(
    "orders",
    [
        (1, 2, 3),
        (1, 2, 3, 4, 5, 6),
        (2, 3, 4, 5),  # the fundamental is missing
        (3, 4, 5, 6, 8),  # so is the second
        (1, 3, 5, 7, 9),  # odd ones only
        (7, 8, 9, 10, 11, 12, 14),
    ],
)
def test_one_family_is_found_with_its_orders(orders):
    """Harmonics are one family, each with its order, even where the fundamental is missing."""
    rng = np.random.default_rng(1)
    for _ in range(30):
        fundamental_hz = rng.uniform(95, 400)
        (family,) = harmonic_families(measured(rng, fundamental_hz, orders))

        assert orders_of(family) == list(orders)
        assert family.fundamental_hz == pytest.approx(fundamental_hz, rel=FREQUENCY_ACCURACY)


def test_a_family_is_found_among_other_tones():
    """Ten tones that do not belong to it seldom hide a family of six, or join it."""
    rng = np.random.default_rng(2)
    right, runs = 0, 100
    for _ in range(runs):
        own = measured(rng, rng.uniform(95, 300), range(1, 7))
        found = harmonic_families(own + random_tones(rng, 10, evenly=False))
        hit = [family for family in found if {each.tone for each in family.harmonics} >= set(own)]
        right += len(hit) == 1 and orders_of(hit[0])[:2] == [1, 2]

    assert right >= 0.97 * runs


def test_two_interleaved_families_are_told_apart():
    """Two fans of other speeds make two families, the louder one first."""
    rng = np.random.default_rng(3)
    right, runs = 0, 100
    for _ in range(runs):
        low_hz = rng.uniform(95, 200)
        # From here to 11 orders up, no multiple of one lies within 0.2 % of one of the other.
        ratio = rng.choice([1.19, 1.3137, 1.6271])
        soft = measured(rng, low_hz, range(1, 7), 35.0)
        loud = measured(rng, low_hz * ratio, range(1, 7), 45.0)
        mixed = [*soft, *loud]
        rng.shuffle(mixed)
        found = harmonic_families(mixed)
        right += [{each.tone for each in family.harmonics} for family in found] == [
            set(loud),
            set(soft),
        ]

    assert right >= 0.97 * runs


def test_interleaved_families_may_lack_their_fundamentals():
    """Blade tones of two rotors at 10 to 13 in speed, first orders masked, are two families."""
    rng = np.random.default_rng(4)
    soft = measured(rng, 131.7, (2, 3, 4, 5, 6), 30.0)
    loud = measured(rng, 171.3, (2, 3, 4, 5, 6), 50.0)
    first, second = harmonic_families([*loud, *soft])

    assert orders_of(first) == orders_of(second) == [2, 3, 4, 5, 6]
    assert first.fundamental_hz == pytest.approx(171.3, rel=0.0005)
    assert second.fundamental_hz == pytest.approx(131.7, rel=0.0005)
    # Five equal tones are 6.99 dB more than one.
    assert first.level_db == pytest.approx(56.99, abs=0.01)


@pytest.mark.parametrize("evenly", [False, True])
@pytest.mark.parametrize("count", [2, 3, 5, 10, 20, 40])
def test_random_tones_are_no_family(count, evenly):
    """Of spectra with random tones at most 1 % show any family, two standard errors allowed."""
    rng = np.random.default_rng(5)
    runs = 300 if count < 40 else 100
    false = sum(
        bool(harmonic_families(random_tones(rng, count, evenly=evenly))) for _ in range(runs)
    )

    assert false <= 0.01 * runs + 2 * (0.01 * runs) ** 0.5


@given(
    frequencies_hz=st.lists(st.floats(89.1, 11_200), max_size=25),
    order=st.randoms(use_true_random=False),
)
def test_families_hold_each_tone_once(frequencies_hz, order):
    """Whatever the tones: each in one family at most, near its order, whatever came first."""
    tones = [tone(f, 30 + i) for i, f in enumerate(frequencies_hz)]
    families = harmonic_families(tones)
    members = [each.tone for family in families for each in family.harmonics]
    shuffled = tones.copy()
    order.shuffle(shuffled)

    assert len(members) == len(set(members))
    assert set(members) <= set(tones)
    levels = [family.level_db for family in families]
    assert levels == sorted(levels, reverse=True)
    for family in families:
        assert len(family.harmonics) >= 2
        for each in family.harmonics:
            expected_hz = each.order * family.fundamental_hz
            assert each.tone.frequency_hz == pytest.approx(expected_hz, rel=2.1e-3)
    if len(set(frequencies_hz)) == len(frequencies_hz):
        assert harmonic_families(shuffled) == families


def test_the_sound_of_a_fan_is_one_family():
    """Blade-passing tones in noise, found in their spectrum, are one family with their orders."""
    rng, rate_hz = np.random.default_rng(6), 16_384
    time_s = np.arange(20 * rate_hz) / rate_hz
    sound = 1e-3 * rng.standard_normal(time_s.size)
    for order in (1, 2, 3, 4, 6):
        sound += 1e-3 * np.sin(2 * np.pi * 243.7 * order * time_s + order)
    spectrum = spectrum_of(PressureSignal(sound[:, None], rate_hz), spacing_hz=1.0)
    (family,) = harmonic_families(discrete_tones(spectrum, calibrated=True))

    assert orders_of(family) == [1, 2, 3, 4, 6]
    assert family.fundamental_hz == pytest.approx(243.7, rel=0.0002)


def test_few_tones_are_no_family():
    """Nothing and a single tone have no family."""
    assert harmonic_families([]) == ()
    assert harmonic_families([tone(500)]) == ()


@pytest.mark.parametrize("accuracy", [0.0, -0.001, 0.01, np.nan])
def test_a_senseless_accuracy_is_refused(accuracy):
    """An accuracy that is none, or so wide that everything fits, is an error."""
    with pytest.raises(InputError, match=r"above 0 and below 0\.01"):
        harmonic_families([tone(100)], accuracy=accuracy)
