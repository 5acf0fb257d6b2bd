"""Logged levels of every 100 ms, taken together over longer stretches.

Unlike the totals of a measurement (`acoustic.level_statistics`), a log has gaps: rows in which
nothing valid was heard are NaN and belong to no stretch.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acoustic.errors import InputError
from acoustic.signals import Samples

__all__ = ["HourOfDay", "StretchSummary", "energy_ratio_db", "hours_of_day", "summarise_stretches"]


@dataclass(frozen=True, slots=True, eq=False)
class StretchSummary:
    """Levels of stretches of equal length, each array of shape ``(stretches,)``."""

    rows: npt.NDArray[np.int64]
    """How many rows with a level each has."""
    energy: Samples
    """Mean of ``10^(L/10)`` over the equivalent levels; NaN without rows. Unlike levels, energies
    of several stretches can be averaged by adding them up."""
    L10_db: Samples
    """Level F exceeded 10 % of the time; NaN without rows."""
    L50_db: Samples
    """Level F exceeded 50 % of the time."""
    L90_db: Samples
    """Level F exceeded 90 % of the time."""
    Lmax_db: Samples
    """Largest level F."""


@dataclass(frozen=True, slots=True)
class HourOfDay:
    """What an hour of the day is usually like."""

    hour: int
    """Which one: 0 is from midnight to one."""
    count: int
    """How many levels it is known from."""
    usual_db: float
    """Median of them."""
    highest_db: float
    """Largest of them."""


def summarise_stretches(
    Leq_db: Samples, LF_db: Samples, LFmax_db: Samples, *, rows_each: int
) -> StretchSummary:
    """Take rows together.

    Parameters
    ----------
    Leq_db, LF_db, LFmax_db : ndarray of shape (rows,)
        Equivalent level, level F at the end, and largest level F of each row in dB; NaN where
        there is none, ``-inf`` for exact silence.
    rows_each : int
        Rows of a stretch; the last one may be shorter.

    Returns
    -------
    StretchSummary
        The stretches.

    Raises
    ------
    InputError
        If there is no row, or stretches would have none.
    """
    if rows_each < 1 or len(Leq_db) == 0:
        raise InputError("A stretch needs at least one row of levels.")
    Leq_db, LF_db, LFmax_db = (_in_stretches(x, rows_each) for x in (Leq_db, LF_db, LFmax_db))
    heard = ~np.isnan(Leq_db)
    rows = heard.sum(axis=1)
    energies = np.where(heard, 10.0 ** (Leq_db / 10.0), 0.0).sum(axis=1)
    # Sorting puts what is missing at the end.
    ordered, counted = np.sort(LF_db, axis=1), (~np.isnan(LF_db)).sum(axis=1)
    largest = np.where(np.isnan(LFmax_db), -np.inf, LFmax_db).max(axis=1)
    return StretchSummary(
        rows=rows,
        energy=np.where(rows > 0, energies / np.maximum(rows, 1), np.nan),
        L10_db=_exceeded_db(ordered, counted, 10.0),
        L50_db=_exceeded_db(ordered, counted, 50.0),
        L90_db=_exceeded_db(ordered, counted, 90.0),
        Lmax_db=np.where(np.isnan(LFmax_db).all(axis=1), np.nan, largest),
    )


def energy_ratio_db(energy: Samples) -> Samples:
    """Level of a mean of ``10^(L/10)``.

    Parameters
    ----------
    energy : ndarray
        Mean of ``10^(L/10)``, any shape.

    Returns
    -------
    ndarray
        Level in dB re what the levels were re; ``-inf`` for silence, NaN for NaN.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(energy))


def hours_of_day(time_s: Samples, level_db: Samples, *, ahead_s: float) -> list[HourOfDay]:
    """Take levels of many days together by the hour of the day.

    Parameters
    ----------
    time_s : ndarray of shape (levels,)
        When each was heard, in seconds since a midnight in UTC.
    level_db : ndarray of shape (levels,)
        Levels in dB; those that are not finite are left out.
    ahead_s : float
        How far the clock on the wall is ahead of UTC, in seconds.

    Returns
    -------
    list of HourOfDay
        The hours of which a level is known, from midnight on.
    """
    known = np.isfinite(level_db)
    hours = ((time_s[known] + ahead_s) % 86_400.0 // 3600.0).astype(np.int64)
    levels_db = level_db[known]
    return [
        HourOfDay(
            hour=int(hour),
            count=int((hours == hour).sum()),
            usual_db=float(np.median(levels_db[hours == hour])),
            highest_db=float(levels_db[hours == hour].max()),
        )
        for hour in np.unique(hours)
    ]


def _in_stretches(rows_db: Samples, rows_each: int) -> Samples:
    """Put rows into stretches, shape ``(stretches, rows_each)``, the last filled with NaN."""
    missing = -len(rows_db) % rows_each
    filled = np.concatenate([rows_db, np.full(missing, np.nan)]) if missing else rows_db
    return filled.reshape(-1, rows_each)


def _exceeded_db(ordered: Samples, counted: npt.NDArray[np.int64], percent: float) -> Samples:
    """Quantile of each stretch whose levels stand in rising order, linear between levels."""
    place = (1.0 - percent / 100.0) * np.maximum(counted - 1, 0)
    below = np.floor(place).astype(np.int64)
    above = np.minimum(below + 1, np.maximum(counted - 1, 0))
    low, high = (np.take_along_axis(ordered, i[:, None], axis=1)[:, 0] for i in (below, above))
    # Between silence and a level there is no level; it counts as silence.
    share = place - below
    with np.errstate(invalid="ignore"):
        between = np.where(np.isneginf(low), low, low + share * (high - low))
    found: Samples = np.where(share == 0.0, low, between)
    return np.where(counted > 0, found, np.nan)
