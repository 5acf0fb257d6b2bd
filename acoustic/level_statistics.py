"""What a whole measurement comes to: equivalent, extreme and percentile levels.

Rows of 100 ms are added as they come, so that a day needs no more memory than a minute. Three
conventions hold throughout:

- ``LN`` is the level **exceeded** N percent of the time: LA90 is near the background, LA10 near
  the peaks. It comes from LAF at the end of every row.
- Percentiles and minima leave out the first five time constants (in whole rows 0.7 s for F, 5 s
  for S), in which the exponential average rises from silence. A measurement that is not longer
  has none of them; they are NaN.
- Over several channels a level is averaged as energy.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from acoustic.band_frequencies import bands_within
from acoustic.decibels import level_db
from acoustic.errors import InputError
from acoustic.frequency_weighting import a_weighting_db
from acoustic.short_levels import ROW_S, ShortLevels
from acoustic.signals import Samples
from acoustic.time_weighting import TIME_CONSTANT_S

__all__ = [
    "LevelSummary",
    "LevelTotals",
    "add_levels",
    "exceeded_level_db",
    "mean_of_channels",
    "no_totals",
    "summarise",
]

_RISE_TIME_CONSTANTS = 5.0

_STEP_DB, _LOWEST_DB, _STEPS = 0.01, -200.0, 40_000
"""Classes of the level distribution: 0.01 dB wide, -200 dB to 200 dB."""


def exceeded_level_db(trace_db: Samples, percent: float) -> Samples:
    """Level exceeded for a part of the time.

    Parameters
    ----------
    trace_db : ndarray of shape (n,) or (n, channels)
        Levels in dB at equal distances in time; the rise of a time weighting already left out.
    percent : float
        Percentage of the time, 0 to 100.

    Returns
    -------
    ndarray of shape () or (channels,)
        Level in dB: the quantile ``1 - percent / 100``, linear between levels.

    Raises
    ------
    InputError
        If there is no level, or the percentage is none.

    Examples
    --------
    >>> trace_db = np.array([30.0] * 90 + [60.0] * 11)
    >>> float(exceeded_level_db(trace_db, 90.0)), float(exceeded_level_db(trace_db, 10.0))
    (30.0, 60.0)
    """
    if len(trace_db) == 0:
        raise InputError("A percentile needs at least one level; listen longer.")
    if not 0.0 <= percent <= 100.0:
        raise InputError(f"A level is exceeded 0 to 100 percent of the time, not {percent}.")
    return np.asarray(np.percentile(trace_db, 100.0 - percent, axis=0))


@dataclass(frozen=True, slots=True, eq=False)
class LevelTotals:
    """Sums over the rows heard so far: a value, never changed."""

    rows: int
    """Number of rows."""
    A_pa2: Samples
    """Sum of A-weighted mean squares in Pa^2, shape ``(channels,)``."""
    C_pa2: Samples
    """Sum of C-weighted mean squares in Pa^2, shape ``(channels,)``."""
    Z_pa2: Samples
    """Sum of unweighted mean squares in Pa^2, shape ``(channels,)``."""
    C_peak_pa: Samples
    """Largest C-weighted magnitude in Pa, shape ``(channels,)``."""
    LAFmax_db: Samples
    """Largest LAF in dB, shape ``(channels,)``."""
    LAFmin_db: Samples
    """Smallest LAF after its rise in dB, shape ``(channels,)``; inf before."""
    LASmax_db: Samples
    """Largest LAS in dB, shape ``(channels,)``."""
    LASmin_db: Samples
    """Smallest LAS after its rise in dB, shape ``(channels,)``; inf before."""
    distribution: Samples
    """Rows by LAF after its rise, shape ``(channels, classes)``."""
    band_pa2: Samples
    """Sum of mean squares in bands in Pa^2, shape ``(channels, bands)``."""
    nominal_hz: tuple[float, ...]
    """Nominal frequencies of the bands in hertz."""


def no_totals(levels: ShortLevels) -> LevelTotals:
    """Totals before the first row.

    Parameters
    ----------
    levels : ShortLevels
        Any rows of the measurement, for its channels and bands.

    Returns
    -------
    LevelTotals
        Totals of nothing.
    """
    channels = levels.channels
    zero, low, high = np.zeros(channels), np.full(channels, -np.inf), np.full(channels, np.inf)
    return LevelTotals(
        rows=0,
        A_pa2=zero,
        C_pa2=zero,
        Z_pa2=zero,
        C_peak_pa=zero,
        LAFmax_db=low,
        LAFmin_db=high,
        LASmax_db=low,
        LASmin_db=high,
        distribution=np.zeros((channels, _STEPS)),
        band_pa2=np.zeros((channels, len(levels.nominal_hz))),
        nominal_hz=levels.nominal_hz,
    )


def add_levels(totals: LevelTotals, levels: ShortLevels) -> LevelTotals:
    """Add more rows.

    Parameters
    ----------
    totals : LevelTotals
        Totals so far; they are not changed.
    levels : ShortLevels
        The next rows of the same measurement, possibly none.

    Returns
    -------
    LevelTotals
        Totals with the rows added.

    Raises
    ------
    InputError
        If channels or bands are not those of the totals.
    """
    if levels.channels != len(totals.A_pa2) or levels.nominal_hz != totals.nominal_hz:
        raise InputError(
            "The levels to add have other channels or bands than those before; "
            "add only levels of one measurement."
        )
    if len(levels) == 0:
        return totals
    F_risen, S_risen = (
        levels.start_s >= _RISE_TIME_CONSTANTS * TIME_CONSTANT_S[weighting] - 1e-6
        for weighting in ("F", "S")
    )
    distribution = totals.distribution.copy()
    for classes, LAF_db in zip(distribution, levels.LAF_db[F_risen].T, strict=True):
        place = np.clip((LAF_db - _LOWEST_DB) / _STEP_DB, 0, _STEPS - 1).astype(np.intp)
        np.add.at(classes, place, 1.0)
    return replace(
        totals,
        rows=totals.rows + len(levels),
        A_pa2=totals.A_pa2 + levels.A_mean_square_pa2.sum(axis=0),
        C_pa2=totals.C_pa2 + levels.C_mean_square_pa2.sum(axis=0),
        Z_pa2=totals.Z_pa2 + levels.Z_mean_square_pa2.sum(axis=0),
        C_peak_pa=np.maximum(totals.C_peak_pa, levels.C_peak_pa.max(axis=0)),
        LAFmax_db=np.maximum(totals.LAFmax_db, levels.LAFmax_db.max(axis=0)),
        LAFmin_db=np.minimum(
            totals.LAFmin_db, levels.LAFmin_db[F_risen].min(axis=0, initial=np.inf)
        ),
        LASmax_db=np.maximum(totals.LASmax_db, levels.LASmax_db.max(axis=0)),
        LASmin_db=np.minimum(
            totals.LASmin_db, levels.LASmin_db[S_risen].min(axis=0, initial=np.inf)
        ),
        distribution=distribution,
        band_pa2=totals.band_pa2 + levels.band_mean_square_pa2.sum(axis=0),
    )


@dataclass(frozen=True, slots=True, eq=False)
class LevelSummary:
    """Levels of a whole measurement in dB re 20 uPa; ``-inf`` for silence, NaN where too short."""

    duration_s: float
    """Duration in seconds, whole rows only."""
    LAeq_db: Samples
    """A-weighted equivalent level, shape ``(channels,)``."""
    LCeq_db: Samples
    """C-weighted equivalent level, shape ``(channels,)``."""
    LZeq_db: Samples
    """Unweighted equivalent level, shape ``(channels,)``."""
    LAFmax_db: Samples
    """Largest LAF, shape ``(channels,)``."""
    LAFmin_db: Samples
    """Smallest LAF after its rise, shape ``(channels,)``."""
    LASmax_db: Samples
    """Largest LAS, shape ``(channels,)``."""
    LASmin_db: Samples
    """Smallest LAS after its rise, shape ``(channels,)``."""
    LAE_db: Samples
    """Sound exposure level: the same energy in 1 s, shape ``(channels,)``."""
    LCpeak_db: Samples
    """C-weighted peak level, shape ``(channels,)``."""
    LA10_db: Samples
    """LAF exceeded 10 % of the time, shape ``(channels,)``."""
    LA50_db: Samples
    """LAF exceeded 50 % of the time, shape ``(channels,)``."""
    LA90_db: Samples
    """LAF exceeded 90 % of the time, shape ``(channels,)``."""
    nominal_hz: tuple[float, ...]
    """Nominal frequencies of the one-third octaves in hertz; empty without bands."""
    band_LZeq_db: Samples
    """Unweighted equivalent level in each band, shape ``(channels, bands)``."""
    band_LAeq_db: Samples
    """The same, A-weighted at the exact mid-band frequency, shape ``(channels, bands)``."""


def summarise(totals: LevelTotals) -> LevelSummary:
    """Levels of all rows together.

    Parameters
    ----------
    totals : LevelTotals
        Totals of at least one row.

    Returns
    -------
    LevelSummary
        The levels of each channel.

    Raises
    ------
    InputError
        If there is no row.
    """
    if totals.rows == 0:
        raise InputError("The sound is shorter than 0.1 s, so it has no levels; listen longer.")
    duration_s = totals.rows * ROW_S
    band_LZeq_db = level_db(totals.band_pa2 / totals.rows)
    A_db = np.zeros(0)
    if totals.nominal_hz:
        A_db = a_weighting_db(bands_within(totals.nominal_hz[0], totals.nominal_hz[-1], 3).exact_hz)
    LAeq_db = level_db(totals.A_pa2 / totals.rows)
    return LevelSummary(
        duration_s=duration_s,
        LAeq_db=LAeq_db,
        LCeq_db=level_db(totals.C_pa2 / totals.rows),
        LZeq_db=level_db(totals.Z_pa2 / totals.rows),
        LAFmax_db=totals.LAFmax_db,
        LAFmin_db=np.where(np.isposinf(totals.LAFmin_db), np.nan, totals.LAFmin_db),
        LASmax_db=totals.LASmax_db,
        LASmin_db=np.where(np.isposinf(totals.LASmin_db), np.nan, totals.LASmin_db),
        LAE_db=LAeq_db + 10.0 * np.log10(duration_s),
        LCpeak_db=level_db(np.square(totals.C_peak_pa)),
        LA10_db=_exceeded_db(totals.distribution, 10.0),
        LA50_db=_exceeded_db(totals.distribution, 50.0),
        LA90_db=_exceeded_db(totals.distribution, 90.0),
        nominal_hz=totals.nominal_hz,
        band_LZeq_db=band_LZeq_db,
        band_LAeq_db=band_LZeq_db + A_db,
    )


def _exceeded_db(distribution: Samples, percent: float) -> Samples:
    """Middle of the class in which the quantile lies; NaN without rows, -inf for the lowest."""
    below = np.cumsum(distribution, axis=1)
    rows = below[:, -1]
    # The row at the quantile, counted from the quietest, as the nearest whole one.
    rank = np.rint((1.0 - percent / 100.0) * np.maximum(rows - 1.0, 0.0))
    place = np.argmax(below > rank[:, None], axis=1)
    levels_db = np.where(place == 0, -np.inf, _LOWEST_DB + _STEP_DB * (place + 0.5))
    return np.where(rows == 0, np.nan, levels_db)


def mean_of_channels(summary: LevelSummary) -> LevelSummary:
    """Average every level over the channels, as energy.

    Parameters
    ----------
    summary : LevelSummary
        Levels of several channels.

    Returns
    -------
    LevelSummary
        Levels of one channel.
    """
    averaged: dict[str, Any] = {
        field.name: _energy_mean_of_first_axis_db(getattr(summary, field.name))
        for field in fields(summary)
        if field.name not in {"duration_s", "nominal_hz"}
    }
    return replace(summary, **averaged)


def _energy_mean_of_first_axis_db(levels_db: Samples) -> Samples:
    """Average over the first axis, which is kept."""
    with np.errstate(divide="ignore"):
        mean: Samples = np.mean(10.0 ** (levels_db / 10.0), axis=0, keepdims=True)
        return 10.0 * np.log10(mean)
