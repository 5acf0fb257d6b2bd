"""The compiled inner loops give the levels of those with NumPy, whatever the sound."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfilt

from acoustic import array_kernels
from acoustic.analyser import analyse, finish, start
from acoustic.band_filters import band_filters
from acoustic.octave_bands import hear_bands, start_bands
from acoustic.short_levels import join_short_levels
from acoustic.signals import PressureSignal

compiled_kernels = pytest.importorskip("acoustic.compiled_kernels")

BROADBAND = (
    "LAeq_db", "LCeq_db", "LZeq_db", "LCpeak_db",
    "LAF_db", "LAFmax_db", "LAFmin_db", "LASmax_db", "LASmin_db",
)  # fmt: skip

ROUNDING_DB = 1e-9
"""Both sum the same squares in another order; a band 100 dB below the sound keeps 5 digits less."""


def levels_of(kernels, samples, rate_hz, *, cuts=(), bands=True):
    """Analyse samples in one measurement, cut into blocks."""
    state = start(rate_hz, samples.shape[1], bands=bands, kernels=kernels)
    parts = []
    for part in np.split(samples, sorted(cuts)):
        state, levels = analyse(state, PressureSignal(part, rate_hz))
        parts.append(levels)
    return join_short_levels([*parts, finish(state)])


def assert_same(ours, theirs):
    """Hold every level of two measurements against each other."""
    assert len(ours) == len(theirs)
    for name in BROADBAND:
        assert getattr(ours, name) == pytest.approx(getattr(theirs, name), abs=ROUNDING_DB)
    assert ours.band_level_db == pytest.approx(theirs.band_level_db, abs=ROUNDING_DB)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_000, 44_100, 48_000, 96_000, 192_000])
def test_both_kernels_give_the_same_levels(rate_hz):
    """Loud, quiet and one-sided sound reads the same within a billionth of a decibel."""
    rng = np.random.default_rng(rate_hz)
    noise = rng.normal(size=(round(0.7 * rate_hz), 3))
    samples = noise * [1.0, 1e-4, 20.0] + [0.0, 0.0, 5.0]

    ours = levels_of(compiled_kernels, samples, rate_hz)
    assert_same(ours, levels_of(array_kernels, samples, rate_hz))


@pytest.mark.parametrize("frequency_hz", [25.0, 1000.0, 15_000.0])
def test_bands_far_below_a_tone_agree(frequency_hz):
    """Also bands that hold next to nothing of a tone read the same."""
    angle = 2 * np.pi * frequency_hz * np.arange(48_000) / 48_000
    # The onset is faded in, so that bands far from the tone stay empty.
    samples = (np.sin(angle) * np.minimum(1.0, np.arange(48_000) / 24_000))[:, None]

    ours = levels_of(compiled_kernels, samples, 48_000).band_level_db[6:]
    theirs = levels_of(array_kernels, samples, 48_000).band_level_db[6:]

    # Rounding is a noise some 300 dB below the tone; it is all that the emptiest bands hold.
    heard = theirs > theirs.max() - 150.0
    assert ours[heard] == pytest.approx(theirs[heard], abs=1e-6)


@settings(max_examples=25)
@given(
    rate_hz=st.sampled_from([8_000, 11_025, 22_050]),
    cuts=st.lists(st.integers(0, 5000), max_size=8),
    channels=st.integers(1, 2),
)
def test_blocks_of_any_size_change_nothing(rate_hz, cuts, channels):
    """However the sound is cut, the compiled loops give the levels of the whole."""
    samples = np.random.default_rng(7).normal(size=(5000, channels))

    cut = levels_of(compiled_kernels, samples, rate_hz, cuts=cuts)
    assert_same(cut, levels_of(array_kernels, samples, rate_hz))


@pytest.mark.parametrize("kernels", [array_kernels, compiled_kernels])
def test_filters_are_those_of_the_design(kernels):
    """Every band passes what its sections pass one after the other."""
    filters = band_filters(16_000.0, 3)
    samples = np.random.default_rng(3).normal(size=16_000)
    edges = np.array([[0, 5000, 16_000]]) >> np.arange(len(filters.stages))[:, None]
    memory = kernels.bands_at_rest(filters, 1)
    _, squares = kernels.sum_bands(filters, memory, samples[None], edges)

    stage = filters.stages[0]
    for band, sections in zip(range(len(filters.bands))[stage.bands], stage.sections, strict=True):
        passed = np.square(sosfilt(sections.copy(), samples))
        assert squares[:, 0, band] == pytest.approx([passed[:5000].sum(), passed[5000:].sum()])


def test_many_bands_at_one_rate_agree():
    """At the lowest rate more bands run side by side than a processor has lanes."""
    filters = band_filters(48_000.0, 3)
    samples = np.random.default_rng(4).normal(size=(48_000, 1))
    rows = [
        hear_bands(start_bands(filters, 1, kernels=kernels), samples)[1]
        for kernels in (array_kernels, compiled_kernels)
    ]

    assert len(filters.stages[-1].sections) > 8
    assert rows[1] == pytest.approx(rows[0], rel=1e-9)


@pytest.mark.parametrize("kernels", [array_kernels, compiled_kernels])
def test_filters_come_to_rest_in_silence(kernels):
    """After digital silence nothing is remembered, so no subnormal number slows anything down."""
    state = start(48_000, 1, kernels=kernels)
    state, _ = analyse(state, PressureSignal(np.ones((24_000, 1)), 48_000))
    for _ in range(20):
        state, levels = analyse(state, PressureSignal(np.zeros((48_000, 1)), 48_000))
    smallest = np.finfo(np.float64).tiny

    assert not state.weighting.C.any()
    for memory in state.bands.memory:
        parts = np.abs(memory.view(np.float64))
        assert not ((parts > 0) & (parts < smallest)).any()
    assert levels.LCeq_db[-1, 0] < -200


@pytest.mark.parametrize("kernels", [array_kernels, compiled_kernels])
def test_a_state_can_be_used_again(kernels):
    """Hearing a block leaves the state before it as it was, so it can be heard twice."""
    block = PressureSignal(np.random.default_rng(1).normal(size=(9600, 2)), 48_000)
    begun, _ = analyse(start(48_000, 2, kernels=kernels), block)

    first, second = analyse(begun, block)[1], analyse(begun, block)[1]

    assert np.array_equal(first.band_level_db, second.band_level_db)
    assert np.array_equal(first.LCpeak_db, second.LCpeak_db)
