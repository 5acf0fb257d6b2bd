"""Time weightings F and S, judged by the standard's table of tonebursts."""

import numpy as np
import pytest

from acoustic.frequency_weighting import frequency_weighted
from acoustic.signals import PressureSignal
from acoustic.standard_tables import TONEBURST_RESPONSES
from acoustic.time_weighting import time_weighted_level

BURSTS = [burst for burst in TONEBURST_RESPONSES if burst.duration_ms >= 1]


def toneburst(duration_ms, rate_hz, *, start_s=0.2003, length_s=1.6):
    """A burst of 4 kHz, 1 Pa RMS, starting and ending at zero crossings."""
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    inside = (time_s >= start_s) & (time_s < start_s + duration_ms / 1000)
    tone = np.sqrt(2) * np.sin(2 * np.pi * 4000 * (time_s - start_s))
    return PressureSignal((inside * tone)[:, None], rate_hz)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 192_000])
@pytest.mark.parametrize("burst", BURSTS, ids=lambda burst: f"{burst.duration_ms} ms")
def test_toneburst_maxima_are_those_of_the_table(burst, rate_hz):
    """F and S maxima of unweighted bursts lie within 0.1 dB of the tabulated response."""
    signal = toneburst(burst.duration_ms, rate_hz)
    steady_db = 20 * np.log10(1 / 20e-6)

    for weighting, table_db in (("F", burst.F_db), ("S", burst.S_db)):
        if table_db is not None:
            maximum_db = time_weighted_level(signal, weighting).level_db.max()
            # 0.1 dB of our own and 0.05 dB for the rounding of the table.
            assert maximum_db - steady_db == pytest.approx(table_db, abs=0.15)


@pytest.mark.parametrize("burst", TONEBURST_RESPONSES, ids=lambda burst: f"{burst.duration_ms} ms")
def test_weighted_bursts_keep_the_class_1_limits(burst):
    """Maxima of A-weighted bursts, down to 0.25 ms, keep the class 1 limits for F and S."""
    steady = frequency_weighted(toneburst(1600, 48_000, start_s=0.0), "A")
    steady_db = 10 * np.log10(np.mean(steady.samples[24_000:] ** 2) / 20e-6**2)
    signal = frequency_weighted(toneburst(burst.duration_ms, 48_000), "A")

    for weighting, table_db, limits in (
        ("F", burst.F_db, burst.class_1),
        ("S", burst.S_db, burst.S_class_1),
    ):
        if table_db is not None:
            maximum_db = time_weighted_level(signal, weighting).level_db.max()
            deviation_db = maximum_db - steady_db - table_db
            assert limits.lower_db <= deviation_db <= limits.upper_db
