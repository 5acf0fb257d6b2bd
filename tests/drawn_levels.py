"""Drawn levels of 100 ms whose truth is known: hunting, beating, drifting."""

import numpy as np
from scipy.signal import lfilter

TRUE_DB = 40.0
"""Level of the mean energy of every beat drawn here, around which it hunts."""


def beat_db(time_s, depth_db, period_s, phase, interval_s=0.1):
    """Level of two tones that beat, averaged over each interval, re its mean energy."""
    # Amplitudes 1 and q: highest over lowest is ((1 + q) / (1 - q))^2.
    q = (10 ** (depth_db / 20) - 1) / (10 ** (depth_db / 20) + 1)
    swing = 2 * q / (1 + q**2) * np.sinc(interval_s / period_s)
    return 10 * np.log10(1 + swing * np.cos(2 * np.pi * time_s / period_s + phase))


def wander_db(rng, count, sd_db, tau_s, interval_s=0.1):
    """First-order wander, from its stationary start."""
    decay = np.exp(-interval_s / tau_s)
    drive = np.sqrt(1 - decay**2) * rng.standard_normal(count)
    drive[0] = rng.standard_normal()
    return sd_db * lfilter([1.0], [1.0, -decay], drive)


def drawn_levels_db(
    rng,
    seconds,
    *,
    sd_db=None,
    tau_s=None,
    white_sd_db=0.3,
    depth_db=0.0,
    period_s=1.0,
    drift_db=0.0,
    interval_s=0.1,
):
    """Levels of a fan that hunts, by 0.1-0.4 dB in 1-5 s where nothing else is said, and beats."""
    count = round(seconds / interval_s)
    time_s = interval_s * (np.arange(count) + 0.5)
    sd_db = rng.uniform(0.1, 0.4) if sd_db is None else sd_db
    tau_s = rng.uniform(1, 5) if tau_s is None else tau_s
    return (
        TRUE_DB
        + wander_db(rng, count, sd_db, tau_s, interval_s)
        + white_sd_db * rng.standard_normal(count)
        + beat_db(time_s, depth_db, period_s, rng.uniform(0, 2 * np.pi), interval_s)
        + drift_db * (time_s / (count * interval_s) - 0.5)
    )


def any_hunting_db(rng, seconds):
    """Levels of a fan that hunts little or much, fast or slowly, in much or little noise."""
    return drawn_levels_db(
        rng,
        seconds,
        sd_db=rng.choice([0.0, 0.1, 0.25, 0.5, 1.0]),
        tau_s=rng.choice([0.3, 1.0, 3.0, 7.0, 15.0]),
        white_sd_db=rng.choice([0.1, 0.3, 0.6]),
        drift_db=rng.choice([0.0, 0.0, 0.5]),
    )


def all_of(levels_db):
    """Every level counts."""
    return np.ones(levels_db.size, dtype=bool)


def with_gaps(rng, count, share):
    """Leave out a share of the levels, a quarter of a second to two seconds at a time."""
    usable = np.ones(count, dtype=bool)
    while usable.mean() > 1 - share:
        start = rng.integers(count)
        usable[start : start + rng.integers(3, 20)] = False
    return usable


def coverage(errors_db, standard_errors_db):
    """Share of stated 95 % intervals that hold the truth."""
    return np.mean(np.abs(errors_db) <= 1.96 * np.asarray(standard_errors_db))
