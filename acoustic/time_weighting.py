"""Time weightings F and S: the exponential averages behind LAF and LAS."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from acoustic.decibels import level_db
from acoustic.errors import SignalError
from acoustic.signals import PressureSignal, Samples

__all__ = [
    "TIME_CONSTANT_S",
    "LevelTrace",
    "TimeWeighting",
    "exponential_average",
    "millisecond_edges",
    "time_weighted_level",
]

TimeWeighting = Literal["F", "S"]
"""F (fast) or S (slow)."""

TIME_CONSTANT_S = {"F": 0.125, "S": 1.0}
"""Time constants in seconds (IEC 61672-1:2013)."""


def exponential_average(
    mean_squares: Samples, durations_s: Samples, start: Samples, time_constant_s: float
) -> Samples:
    """Exponential average of a squared quantity at the end of each of many short intervals.

    Exact for a quantity that is constant within an interval, whatever the intervals' lengths. With
    intervals of 1 ms the level of a toneburst is right within 0.03 dB for F.

    Parameters
    ----------
    mean_squares : ndarray of shape (intervals, channels)
        Mean of the square over each interval.
    durations_s : ndarray of shape (intervals,)
        Length of each interval in seconds.
    start : ndarray of shape (channels,)
        The average before the first interval; zero after silence.
    time_constant_s : float
        Time constant in seconds.

    Returns
    -------
    ndarray of shape (intervals, channels)
        The average at the end of each interval, in the unit of `mean_squares`.
    """
    ages = np.cumsum(durations_s)[:, None] / time_constant_s
    averages = np.empty_like(mean_squares)
    first = 0
    while first < len(ages):
        # Undo the decay, sum, decay again: one pass without a loop over the intervals, in
        # stretches of 30 time constants so that the exponential stays far from overflow.
        offset = float(ages[first - 1, 0]) if first else 0.0
        last = max(first + 1, int(np.searchsorted(ages[:, 0], offset + 30.0)))
        growth = np.exp(ages[first:last] - offset)
        shares = -np.expm1(-durations_s[first:last, None] / time_constant_s)
        added = np.cumsum(growth * shares * mean_squares[first:last], axis=0)
        averages[first:last] = (start + added) / growth
        start = averages[last - 1]
        first = last
    return averages


def millisecond_edges(rate_hz: float, first: int, last: int, step: int = 1) -> npt.NDArray[np.intp]:
    """First frame of each of the consecutive milliseconds `first` to `last`.

    A millisecond that is not a whole number of frames takes the nearest ones, so none is ever
    more than half a frame off.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in hertz.
    first, last : int
        Numbers of the first and the last millisecond, counted from the start of the sound.
    step : int, optional
        Leave out all but every so many of them.

    Returns
    -------
    ndarray of shape ((last - first) // step + 1,)
        Frame numbers.
    """
    numbers = np.arange(first, last + 1, step, dtype=np.float64)
    return np.floor(numbers * rate_hz / 1000.0 + 0.5).astype(np.intp)


@dataclass(frozen=True, slots=True, eq=False)
class LevelTrace:
    """A time-weighted level from millisecond to millisecond."""

    time_s: Samples
    """Ends of the milliseconds, in seconds from the start; shape ``(n,)``."""
    level_db: Samples
    """Level in dB re 20 uPa at these times, shape ``(n, channels)``."""


def time_weighted_level(signal: PressureSignal, time_weighting: TimeWeighting) -> LevelTrace:
    """Time-weighted sound level of a signal, from silence before its first frame.

    Feed a frequency-weighted signal: an A-weighted one with F gives LAF.

    Parameters
    ----------
    signal : PressureSignal
        Sound pressure in Pa, shape ``(frames, channels)``.
    time_weighting : {"F", "S"}
        The time weighting.

    Returns
    -------
    LevelTrace
        The level at the end of each whole millisecond; a last part of one is left out.

    Raises
    ------
    SignalError
        If the signal is shorter than 1 ms, or has less than one frame in a millisecond.

    Notes
    -----
    IEC 61672-1:2013. Maximum levels of the standard's tonebursts of 1 ms to 1 s come out within
    0.03 dB of ``10 lg(1 - exp(-T / tau))``.
    """
    if signal.rate_hz < 1000.0:
        raise SignalError(
            f"A sampling rate of {signal.rate_hz:g} Hz is too low for a time-weighted level; "
            "use at least 1000 Hz."
        )
    frames = len(signal.samples)
    edges = millisecond_edges(signal.rate_hz, 0, int(frames / signal.rate_hz * 1000.0) + 1)
    edges = edges[edges <= frames]
    if len(edges) < 2:
        raise SignalError(
            f"The signal has only {frames} frames; a time-weighted level needs at least 1 ms."
        )
    # reduceat's last stretch runs to the end of what it is given.
    squares = np.square(signal.samples[: edges[-1]])
    durations = np.diff(edges)
    mean_squares = np.add.reduceat(squares, edges[:-1], axis=0) / durations[:, None]
    averages = exponential_average(
        mean_squares,
        durations / signal.rate_hz,
        np.zeros(squares.shape[1]),
        TIME_CONSTANT_S[time_weighting],
    )
    return LevelTrace(edges[1:] / signal.rate_hz, level_db(averages))
