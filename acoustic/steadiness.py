"""Whether a level is steady: does it drift over the listening, does it beat, and what is its mean.

A drift is told from hunting by the same model that gives the mean its standard error. A beat is
no hunting: over a part of it the mean is wrong by up to half its depth, the mean of its decibels
lies below the level of its mean energy, and hunting that is taken for so large makes intervals far
too wide. A mean over whole beats with the beat taken out has none of these faults.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from acoustic.beats import (
    LARGEST_AMPLITUDE_RATIO,
    Beat,
    find_beat,
    within_crests,
)
from acoustic.errors import SignalError
from acoustic.intrusions import (
    INTERVAL_S,
    NO_SPREAD,
    GateSpread,
    find_intrusions,
    white_spread_db,
)
from acoustic.signals import Samples
from acoustic.uncertainty import CorrelatedMean, HuntingKnowledge, LevelBlocks

__all__ = [
    "Steadiness",
    "Trend",
    "find_intrusions_beside_beat",
    "find_trend",
    "judge_steadiness",
    "mean_over_whole_beats",
    "whole_beats_s",
]

_SURE_STANDARD_ERRORS: Final = 3.0
"""Hunting makes a change beyond this many standard errors less than once in 100 listenings. It
would be 2.6 for a normal distribution, but size and speed of the hunting are known only roughly
(drawn levels, in the tests)."""
_SLOW_PERIOD_S: Final = 2.5
"""Beats from this period on show in 1 s blocks, so that they and hunting have to be told apart."""
_UNKNOWN_HUNTING: Final = HuntingKnowledge()


@dataclass(frozen=True, slots=True)
class Trend:
    """A steady rise or fall of a level."""

    change_db: float
    """Level at the end of the listening less that at its start, by a straight line, in dB."""
    standard_error_db: float
    """Standard error of `change_db` with the level hunting, in dB."""
    listened_s: float
    """Length of the listening in seconds."""

    @property
    def slope_db_per_minute(self) -> float:
        """Rise in dB per minute."""
        return 60.0 * self.change_db / self.listened_s

    @property
    def sure(self) -> bool:
        """Whether hunting alone makes such a change in less than one listening of 100."""
        return abs(self.change_db) > _SURE_STANDARD_ERRORS * self.standard_error_db


@dataclass(frozen=True, slots=True)
class Steadiness:
    """What speaks against a level being steady; hunting does not."""

    trend: Trend
    """Its drift over the listening."""
    beat: Beat | None
    """Its beat; None where there is none for sure."""

    @property
    def steady(self) -> bool:
        """Whether it neither drifts nor beats for sure."""
        return self.beat is None and not self.trend.sure


def judge_steadiness(
    levels_db: Samples,
    usable: npt.NDArray[np.bool_],
    known: HuntingKnowledge = _UNKNOWN_HUNTING,
) -> Steadiness:
    """Judge whether the level of one setting is steady.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        Levels in dB of consecutive 100 ms intervals.
    usable : ndarray of bool, shape (intervals,)
        Which of them count.
    known : HuntingKnowledge, optional
        What earlier listening says about the hunting.

    Returns
    -------
    Steadiness
        Trend and beat. A level that only hunts is called unsteady in at most 2 of 100
        listenings.

    Raises
    ------
    SignalError
        If the arrays do not fit together or less than 5 s of them can be used.

    Examples
    --------
    >>> noise = 0.3 * np.random.default_rng(1).standard_normal(300)
    >>> judge_steadiness(40.0 + noise, np.ones(300, dtype=bool)).steady
    True
    >>> judge_steadiness(40.0 + noise + np.linspace(0, 2, 300), np.ones(300, dtype=bool)).steady
    False
    """
    beat = find_beat(levels_db, usable)
    period_s = None if beat is None else beat.period_s
    return Steadiness(find_trend(levels_db, usable, known, beat_period_s=period_s), beat)


def find_trend(
    levels_db: Samples,
    usable: npt.NDArray[np.bool_],
    known: HuntingKnowledge = _UNKNOWN_HUNTING,
    *,
    beat_period_s: float | None = None,
) -> Trend:
    """Fit a straight line to a level that hunts.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        Levels in dB of consecutive 100 ms intervals.
    usable : ndarray of bool, shape (intervals,)
        Which of them count.
    known : HuntingKnowledge, optional
        What earlier listening says about the hunting.
    beat_period_s : float, optional
        Period of a beat in seconds that is part of the level; by default there is none.

    Returns
    -------
    Trend
        Change over the listening with a standard error that allows for hunting.

    Raises
    ------
    SignalError
        If the arrays do not fit together or too few seconds can be used.

    Notes
    -----
    Generalised least squares for a first-order wander of unknown size and speed plus white noise.
    """
    usable = _checked(levels_db, usable)
    rest = _without_beat(levels_db, usable, beat_period_s, drifting=True)
    time = (np.arange(levels_db.size) + 0.5) / levels_db.size - 0.5
    courses = np.column_stack([time, rest.courses])
    fitted = known.fit(rest.blocks, rest.blocks.averages_of(courses, usable))
    return Trend(
        change_db=float(fitted.coefficients_db[1]),
        standard_error_db=float(np.sqrt(fitted.covariance_db2[1, 1])),
        listened_s=INTERVAL_S * levels_db.size,
    )


def whole_beats_s(period_s: float, at_least_s: float) -> float:
    """Shortest listening that holds whole beats.

    Parameters
    ----------
    period_s : float
        Period of the beat in seconds.
    at_least_s : float
        Shortest listening wanted, in seconds.

    Returns
    -------
    float
        A whole number of periods in seconds, at least one.

    Raises
    ------
    SignalError
        If the period or the time is not a positive number.

    Examples
    --------
    >>> whole_beats_s(4.0, 10.0)
    12.0
    """
    if not (0.0 < period_s < np.inf and 0.0 < at_least_s < np.inf):
        raise SignalError(
            f"Whole beats of {period_s} s in at least {at_least_s} s make no sense; both must be "
            "positive numbers of seconds."
        )
    # A whole number of periods that is already there is not rounded up by its last bit.
    return period_s * max(1.0, float(np.ceil(at_least_s / period_s - 1e-9)))


def mean_over_whole_beats(
    levels_db: Samples,
    usable: npt.NDArray[np.bool_],
    period_s: float,
    known: HuntingKnowledge = _UNKNOWN_HUNTING,
) -> CorrelatedMean:
    """Mean of a level that beats and hunts, with a standard error that holds.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        Levels in dB of consecutive 100 ms intervals.
    usable : ndarray of bool, shape (intervals,)
        Which of them count.
    period_s : float
        Period of the beat in seconds.
    known : HuntingKnowledge, optional
        What earlier listening says about the hunting beside the beat.

    Returns
    -------
    CorrelatedMean
        Level of the mean energy over the beat. What is heard after the last whole beat is left
        out.

    Raises
    ------
    SignalError
        If there is no whole beat, or the arrays do not fit together.

    Notes
    -----
    The beat is fitted as that of two tones and taken out so that the level of the mean energy
    stays, which lies ``10 lg(1 + q^2)`` above the mean of the decibels. The uncertainty of q is
    part of the standard error. Beats of up to 12 dB and 0.15 to 20 s: 93-97 % of the stated 95 %
    intervals hold the level (drawn levels, in the tests); at 20 dB fewer.
    """
    usable = _checked(levels_db, usable)
    # A listening that was rounded to whole intervals may end half an interval early.
    shortest_s = whole_beats_s(period_s, INTERVAL_S)
    beats = int((levels_db.size + 0.5) * INTERVAL_S / period_s)
    if beats == 0:
        raise SignalError(
            f"{levels_db.size * INTERVAL_S:.1f} s hold no whole beat of {period_s:.1f} s; listen "
            f"for at least {shortest_s:.1f} s."
        )
    whole = slice(0, min(round(beats * period_s / INTERVAL_S), levels_db.size))
    levels_db, usable = levels_db[whole], usable[whole]
    rest = _without_beat(levels_db, usable, period_s, drifting=False)
    fitted = known.fit(rest.blocks, rest.blocks.averages_of(rest.courses, usable))
    if rest.courses.shape[1]:
        amplitude_variance = 0.5 * float(np.trace(fitted.covariance_db2[1:, 1:]))
    else:
        white_variance = float(np.mean(rest.blocks.white_sd_db**2))
        amplitude_variance = 2.0 * white_variance / rest.blocks.levels_db.size
    q = rest.amplitude_ratio
    of_q = (q / (1.0 + q**2)) ** 2 * amplitude_variance
    return fitted.mean(rest.blocks, more_variance_db2=of_q)


def find_intrusions_beside_beat(
    levels_db: Samples,
    usable: npt.NDArray[np.bool_],
    period_s: float,
    known: GateSpread = NO_SPREAD,
) -> npt.NDArray[np.bool_]:
    """Mark the 100 ms levels that do not belong to a sound that beats and is steady else.

    `acoustic.intrusions.find_intrusions` takes the crests of a slow beat deeper than 2 dB for
    intrusions; here the beat is taken out before it is asked.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        Levels in dB of consecutive 100 ms intervals at one setting.
    usable : ndarray of bool, shape (intervals,)
        Which of them count so far.
    period_s : float
        Period of the beat in seconds.
    known : GateSpread, optional
        Spread known beforehand; by default only these levels are asked.

    Returns
    -------
    ndarray of bool, shape (intervals,)
        True where a usable interval is left out.

    Raises
    ------
    SignalError
        If the arrays do not fit together or the period is not a positive number.
    """
    usable = _checked(levels_db, usable)
    whole_beats_s(period_s, INTERVAL_S)
    marked = usable & ~within_crests(levels_db, usable)
    # First without what is louder than any crest, then without all that was marked.
    for _ in range(2):
        beat = _fit_beat(levels_db, usable & ~marked, period_s, drifting=False)
        marked[usable] = find_intrusions((levels_db - beat.level_db)[usable], known)
    return marked


class _FittedBeat(NamedTuple):
    """The beat of two tones in a level."""

    level_db: Samples
    """Level re that of its mean energy, for each interval."""
    amplitude_ratio: float
    """Amplitude of the weaker tone over that of the stronger."""
    courses: Samples
    """Its cosine and sine, shape ``(intervals, 2)``."""


class _Rest(NamedTuple):
    """What is left of a level without its beat."""

    blocks: LevelBlocks
    """1 s blocks that have the level of the mean energy."""
    courses: Samples
    """What may be left of a slow beat, over the intervals; shape ``(intervals, 0 or 2)``."""
    amplitude_ratio: float
    """Amplitude of the weaker tone over that of the stronger."""


def _checked(levels_db: Samples, usable: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return which levels count, or raise."""
    if levels_db.ndim != 1 or levels_db.shape != usable.shape:
        raise SignalError(
            f"Levels of shape {levels_db.shape} and marks of shape {usable.shape} do not fit; "
            "give one mark for each level of one row."
        )
    return usable & np.isfinite(levels_db)


def _fit_beat(
    levels_db: Samples, usable: npt.NDArray[np.bool_], period_s: float, *, drifting: bool
) -> _FittedBeat:
    """Fit the beat of two tones to a level by its fundamental."""
    count = levels_db.size
    phase = 2.0 * np.pi * INTERVAL_S * (np.arange(count) + 0.5) / period_s
    courses = np.column_stack([np.cos(phase), np.sin(phase)])
    # A line looks much like one beat, so it is allowed for only where it is asked for.
    line = np.linspace(-0.5, 0.5, count)[:, None][:, : int(drifting)]
    given = np.column_stack([courses, np.ones(count), line])[usable]
    # The energy of a beat has no harmonics, which would fold back onto a fast one.
    powers = 10.0 ** ((levels_db[usable] - np.mean(levels_db[usable])) / 10.0)
    cosine, sine, mean = np.linalg.lstsq(given, powers, rcond=None)[0][:3]
    largest = 2.0 * LARGEST_AMPLITUDE_RATIO / (1.0 + LARGEST_AMPLITUDE_RATIO**2)
    swing = min(float(np.hypot(cosine, sine) / mean), largest)
    q = swing / (1.0 + np.sqrt(1.0 - swing**2))
    level_db = 10.0 * np.log10(1.0 + swing * np.cos(phase - np.arctan2(sine, cosine)))
    return _FittedBeat(level_db, q, courses)


def _without_beat(
    levels_db: Samples, usable: npt.NDArray[np.bool_], period_s: float | None, *, drifting: bool
) -> _Rest:
    """Take the beat out of a level and gather the rest into blocks."""
    courses, q = np.zeros((levels_db.size, 0)), 0.0
    rest_db = np.where(usable, levels_db, 0.0)
    if period_s is not None and np.any(usable):
        beat = _fit_beat(levels_db, usable, period_s, drifting=drifting)
        rest_db, q = rest_db - beat.level_db, beat.amplitude_ratio
        courses = beat.courses if period_s >= _SLOW_PERIOD_S else courses
    white_sd_db = white_spread_db(rest_db[usable])
    return _Rest(LevelBlocks.from_intervals(rest_db, usable, white_sd_db), courses, q)
