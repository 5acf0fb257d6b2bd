"""Exponential averages against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from acoustic.errors import SignalError
from acoustic.signals import PressureSignal
from acoustic.time_weighting import exponential_average, millisecond_edges, time_weighted_level


@pytest.mark.parametrize(("weighting", "time_constant_s"), [("F", 0.125), ("S", 1.0)])
def test_onset_and_decay_are_exponential(weighting, time_constant_s):
    """A constant pressure charges, and silence discharges, with the time constant."""
    samples = np.concatenate([np.full(24_000, 1.0), np.zeros(24_000)])[:, None]
    trace = time_weighted_level(PressureSignal(samples, 48_000), weighting)
    on = trace.time_s <= 0.5
    charged = 1 - np.exp(-np.minimum(trace.time_s, 0.5) / time_constant_s)
    expected = charged * np.where(on, 1.0, np.exp(-(trace.time_s - 0.5) / time_constant_s))

    assert trace.level_db[:, 0] == pytest.approx(10 * np.log10(expected / 20e-6**2), abs=1e-9)


@pytest.mark.parametrize(("weighting", "db_per_s"), [("F", 34.7), ("S", 4.3)])
def test_decay_rate_is_that_of_the_standard(weighting, db_per_s):
    """After a tone stops the level falls by the tabulated decibels a second."""
    samples = np.concatenate([np.ones(48_000), np.zeros(48_000)])[:, None]
    trace = time_weighted_level(PressureSignal(samples, 48_000), weighting)

    assert trace.level_db[1199, 0] - trace.level_db[1699, 0] == pytest.approx(
        db_per_s / 2, abs=0.05
    )


@pytest.mark.parametrize("rate_hz", [11_025, 44_100, 48_000])
def test_noise_agrees_with_the_filter_at_full_rate(rate_hz):
    """The trace is that of a one-pole filter over every squared sample, within 0.02 dB."""
    squares = np.square(np.random.default_rng(3).normal(size=2 * rate_hz))
    decay = np.exp(-1 / (0.125 * rate_hz))
    full = lfilter([1 - decay], [1, -decay], squares)
    trace = time_weighted_level(PressureSignal(np.sqrt(squares)[:, None], rate_hz), "F")
    frames = np.rint(trace.time_s * rate_hz).astype(int) - 1

    # What a millisecond does within itself is smoothed over 125.
    assert trace.level_db[:, 0] == pytest.approx(10 * np.log10(full[frames] / 20e-6**2), abs=0.05)


@given(
    durations_s=st.lists(st.floats(1e-4, 2.0), min_size=1, max_size=60),
    value=st.floats(1e-10, 1e4),
)
def test_a_constant_stays_itself(durations_s, value):
    """Averaging what does not change gives it back, whatever the intervals are."""
    durations_s = np.array(durations_s)
    averages = exponential_average(
        np.full((len(durations_s), 2), value), durations_s, np.full(2, value), 0.125
    )

    assert averages == pytest.approx(value, rel=1e-12)


@given(rate_hz=st.floats(1000, 192_000), first=st.integers(0, 10**8))
def test_milliseconds_never_drift(rate_hz, first):
    """Edges stay within half a frame of the true time after any number of hours."""
    edges = millisecond_edges(rate_hz, first, first + 3)

    assert np.abs(edges - np.arange(first, first + 4) * rate_hz / 1000).max() <= 0.5 + 1e-4


def test_silence_reads_minus_infinity():
    """Exact silence has no level, and says so without a warning."""
    trace = time_weighted_level(PressureSignal(np.zeros((480, 1)), 48_000), "F")

    assert np.isneginf(trace.level_db).all()


def test_too_short_or_too_slow_is_refused():
    """Less than a millisecond, and less than a frame in one, have no level."""
    with pytest.raises(SignalError, match="at least 1 ms"):
        time_weighted_level(PressureSignal(np.ones((1, 1)), 48_000), "F")
    with pytest.raises(SignalError, match="at least 1000 Hz"):
        time_weighted_level(PressureSignal(np.ones((900, 1)), 900), "F")
