"""Beats: a level that rises and falls with a period of its own, as two nearly equal fans make it.

Two tones of amplitudes 1 and q beat with the power ``1 + q^2 + 2 q cos``. In decibels the beat then
has the mean of the stronger tone and a fundamental of ``8.686 q``, so that one number, q, gives its
depth and by how much the energy mean lies above the mean of decibels.

Hunting has no period, but any stretch of it has a strongest one. The search therefore asks how
rarely hunting alone, of any size and speed that the rest of the spectrum allows, would make a line
as strong as the strongest.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft, next_fast_len, rfft
from scipy.special import betainc

from acoustic.errors import SignalError
from acoustic.intrusions import INTERVAL_S
from acoustic.signals import Samples

__all__ = [
    "LARGEST_AMPLITUDE_RATIO",
    "LARGEST_CREST_DB",
    "LONGEST_PERIOD_S",
    "SHORTEST_PERIOD_S",
    "Beat",
    "find_beat",
    "within_crests",
]

SHORTEST_PERIOD_S: Final = 0.15
"""Shortest period that is told, where the levels are close enough together."""
LONGEST_PERIOD_S: Final = 20.0
"""Longest period that is told; slower is a trend."""
_DB_PER_AMPLITUDE: Final = float(20.0 / np.log(10.0))
"""Fundamental of the level of a beat in dB, over its amplitude ratio: 8.686."""
LARGEST_AMPLITUDE_RATIO: Final = 0.97
"""Equal tones would beat infinitely deep; this is 36 dB."""

LARGEST_CREST_DB: Final = 7.0
"""Two equal tones rise 6 dB above the mean of their level; the rest is room for noise."""
_WIDEN_INTERVALS: Final = 4
"""Intervals left out on either side of what is louder."""
_CONFIDENCE: Final = 0.99
"""Only a line that hunting makes in less than one listening of 100 is a beat."""
_SHORTEST_S: Final = 5.0
"""Shortest usable listening that is searched."""
_FEWEST_BEATS: Final = 2.5
"""Number of beats that must be heard before they are told from hunting."""
_STRETCH_S: Final = 60.0
"""Longer listening is cut into stretches of one to two minutes, whose spectra are averaged: beats
of hunting fans do not keep step for longer."""
_USABLE_SHARE: Final = 0.4
"""A stretch with less than this is left out."""
_FINER: Final = 4
"""Lines looked at for each independent line."""
_TRIALS_PER_LINE: Final = 3.0
"""Independent trials that each independent line counts for, as lines between lines are looked at
too; found by drawing hunting levels, so that false alarms stay below their bound (in the tests)."""
_LINES_PER_FREE_LINE: Final = 1.5
"""Neighbouring lines under a sine taper share a quarter of their scatter, so a sum over lines
scatters as if there were two thirds of them."""
_OWN_LINES: Final = 1.5
"""Lines on either side that belong to the beat itself: the main lobe of the taper."""
_LOWEST_LINE: Final = 1.5
"""Lines below are changed by taking the trend out."""

_LEAST_POWER_DB2: Final = 1e-6
"""Power that every line has at least: white noise of 0.001 dB."""

_WANDER_TAU_S: Final = 0.2 * 2.0 ** np.arange(7)
"""Candidate time constants of the hunting."""
_VARIANCE_RATIO: Final = np.concatenate([[0.0], 4.0 ** np.arange(-2.0, 5.0)])
"""Candidate variances of the hunting over that of the white noise."""
_PRIOR_SD_DB: Final = 0.25
"""Most fans hunt by about this much."""
_PRIOR_FACTOR: Final = 2.0
"""One standard deviation of that prior, as a factor."""
_LEAST_SD_DB: Final = 0.05
"""Less hunting than this is none."""


@dataclass(frozen=True, slots=True)
class Beat:
    """A periodic fluctuation of a level."""

    period_s: float
    """Time from one rise to the next, in seconds."""
    depth_db: float
    """Level at its highest above that at its lowest, in dB; reads low where the period wanders."""
    confidence: float
    """Probability that hunting alone would not have made a line as strong."""
    alias_period_s: float | None
    """The other period that levels this far apart cannot tell from `period_s`, in seconds; None
    where it would be shorter than 0.15 s."""


def find_beat(
    levels_db: Samples, usable: npt.NDArray[np.bool_], *, interval_s: float = INTERVAL_S
) -> Beat | None:
    """Look for a beat in the levels of one setting.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        Energy means of consecutive intervals in dB.
    usable : ndarray of bool, shape (intervals,)
        Which of them count.
    interval_s : float, optional
        Length of an interval in seconds, at most 0.1.

    Returns
    -------
    Beat or None
        The strongest beat of 0.15 s (two intervals, if that is more) to 20 s (two fifths of the
        listening, if that is less); None where nothing is surer than 99 %.

    Raises
    ------
    SignalError
        If the arrays do not fit together or less than 5 s of them can be used.

    Notes
    -----
    The periodogram (sine taper) of the levels less their trend is compared with what it would be
    on average for white noise and hunting of first or second order, exactly for this taper, its
    gaps and this length. Size and speed of the hunting and the size of the noise come from the
    lines away from the one that is judged, and what they leave open is averaged over. What is
    louder than the crest of any beat does not count; smaller intrusions hide beats.
    False alarms are at most 1 % (drawn hunting levels, in the tests).

    Examples
    --------
    >>> time_s = 0.1 * np.arange(300)
    >>> levels = 40.0 + np.cos(2.0 * np.pi * time_s / 1.6) + 0.2 * np.cos(17.0 * time_s**2)
    >>> beat = find_beat(levels, np.ones(300, dtype=bool))
    >>> round(beat.period_s, 2), round(beat.depth_db, 1)
    (1.6, 2.0)
    """
    if levels_db.ndim != 1 or levels_db.shape != usable.shape:
        raise SignalError(
            f"Levels of shape {levels_db.shape} and marks of shape {usable.shape} do not fit; "
            "give one mark for each level of one row."
        )
    if not 0.0 < interval_s <= INTERVAL_S:
        raise SignalError(f"Beats need levels of at most {INTERVAL_S} s, not of {interval_s} s.")
    usable = within_crests(levels_db, usable & np.isfinite(levels_db))
    if interval_s * np.count_nonzero(usable) < _SHORTEST_S:
        raise SignalError(
            f"{interval_s * np.count_nonzero(usable):.1f} s can be used, too little to tell a beat "
            f"from hunting; listen for at least {_SHORTEST_S:g} s."
        )
    lines = _periodogram(levels_db, usable, interval_s)
    candidates = np.flatnonzero(
        (lines.frequency_hz >= max(1.0 / LONGEST_PERIOD_S, _FEWEST_BEATS / lines.length_s))
        & (lines.frequency_hz <= min(1.0 / SHORTEST_PERIOD_S, 0.5 / interval_s - lines.width_hz))
    )
    chance, noise = _chance(lines, candidates)
    # Many candidates may round to no chance at all; the strongest of them is the one.
    best = int(np.lexsort((-lines.power[candidates] / noise, chance))[0])
    trials = _TRIALS_PER_LINE * candidates.size / _FINER
    confidence = float(np.exp(trials * np.log1p(-chance[best])))
    if confidence < _CONFIDENCE:
        return None
    frequency_hz, power = _top(lines, candidates, best)
    fundamental_db = 2.0 * np.sqrt(max(power - float(noise[best]), 0.0) / lines.coherent_gain)
    alias_s = 1.0 / (1.0 / interval_s - frequency_hz)
    return Beat(
        period_s=1.0 / frequency_hz,
        depth_db=_depth_db(fundamental_db, frequency_hz * interval_s),
        confidence=confidence,
        alias_period_s=alias_s if alias_s >= SHORTEST_PERIOD_S else None,
    )


def within_crests(levels_db: Samples, usable: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Leave out what is louder than the crest of any beat, such as a door.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        Levels in dB.
    usable : ndarray of bool, shape (intervals,)
        Which of them count so far.

    Returns
    -------
    ndarray of bool, shape (intervals,)
        False also where a level lies more than 7 dB above the median, and for four intervals on
        either side, in which it rises and dies away.
    """
    if not np.any(usable):
        return usable
    loud = usable & (levels_db > np.median(levels_db[usable]) + LARGEST_CREST_DB)
    near = np.convolve(loud, np.ones(2 * _WIDEN_INTERVALS + 1), mode="full")
    return usable & (near[_WIDEN_INTERVALS : _WIDEN_INTERVALS + usable.size] < 0.5)


class _Lines(NamedTuple):
    """Averaged periodogram of the stretches, and what is needed to judge it."""

    frequency_hz: Samples
    """Frequencies, `_FINER` of them for each independent line."""
    power: Samples
    """Mean power, 1 dB^2 for white noise of 1 dB."""
    stretches: int
    """Number of stretches averaged."""
    length_s: float
    """Length of a stretch."""
    width_hz: float
    """Distance of independent lines."""
    overlap: Samples
    """Autocorrelation of the taper with its gaps, from lag 0 on; 1 there."""
    coherent_gain: float
    """Power of a course of amplitude 2 dB on a line."""
    interval_s: float
    """Time between levels."""


def _periodogram(levels_db: Samples, usable: npt.NDArray[np.bool_], interval_s: float) -> _Lines:
    """Average the tapered periodograms of all stretches that are heard well enough."""
    stretches = max(1, int(levels_db.size * interval_s / _STRETCH_S))
    count = levels_db.size // stretches
    size = int(next_fast_len(_FINER * count, real=True))
    taper = np.sin(np.pi * (np.arange(count) + 0.5) / count)
    time = np.linspace(-1.0, 1.0, count)
    powers, overlaps, gains = [], [], []
    for start in range(0, stretches * count, count):
        good = usable[start : start + count]
        if np.count_nonzero(good) < _USABLE_SHARE * count:
            continue
        rest = np.zeros(count)
        seen = levels_db[start : start + count][good]
        rest[good] = seen - np.polynomial.Polynomial.fit(time[good], seen, 1)(time[good])
        window = taper * good
        energy = float(np.square(window).sum())
        powers.append(np.square(np.abs(rfft(window * rest, size))) / energy)
        overlaps.append(irfft(np.square(np.abs(rfft(window, size))), size)[:count] / energy)
        gains.append(window.sum() ** 2 / energy)
    if not powers:
        raise SignalError("Too much of the listening is left out to tell a beat; listen again.")
    return _Lines(
        frequency_hz=np.arange(size // 2 + 1) / (size * interval_s),
        # The floor keeps a noise-free simulation solvable.
        power=np.mean(powers, axis=0) + _LEAST_POWER_DB2,
        stretches=len(powers),
        length_s=count * interval_s,
        width_hz=1.0 / (count * interval_s),
        overlap=np.mean(overlaps, axis=0),
        coherent_gain=float(np.mean(gains)),
        interval_s=interval_s,
    )


def _expected(lines: _Lines) -> Samples:
    """Mean periodogram for each kind of hunting, white noise of 1 dB; (kinds, frequencies)."""
    lag = lines.interval_s * np.arange(lines.overlap.size) / _WANDER_TAU_S[:, None]
    # First order, and second order, which moves without jerks.
    correlation = np.concatenate([np.exp(-lag), (1.0 + lag) * np.exp(-lag)])
    weighted = correlation * lines.overlap
    size = 2 * (lines.frequency_hz.size - 1)
    # A sum over lags of both signs.
    shapes = 2.0 * rfft(weighted, size, axis=-1).real - weighted[:, :1]
    kinds = 1.0 + _VARIANCE_RATIO[:, None, None] * np.maximum(shapes, 0.0)
    return np.asarray(kinds.reshape(-1, lines.frequency_hz.size), dtype=np.float64)


def _chance(lines: _Lines, candidates: npt.NDArray[np.int_]) -> tuple[Samples, Samples]:
    """Probability that hunting alone makes a line as strong as each candidate, and its power.

    Scaled powers of independent lines are exponential (averages of stretches gamma) with one
    unknown scale, which is integrated out: the tail of one line given the others is a beta
    distribution.
    """
    kinds = _expected(lines)
    used = np.round(
        np.arange(_LOWEST_LINE, 0.5 / (lines.interval_s * lines.width_hz) - 0.5)
        * (lines.width_hz / lines.frequency_hz[1])
    ).astype(np.int_)
    low_hz, high_hz = lines.frequency_hz[candidates] + _OWN_LINES * lines.width_hz * np.array(
        [[-1.0], [1.0]]
    )
    below = np.searchsorted(lines.frequency_hz[used], low_hz, side="left")
    above = np.searchsorted(lines.frequency_hz[used], high_hz, side="right")
    count = below + used.size - above
    scaled = _sum_outside(lines.power[used] / kinds[:, used], below, above)
    log_kinds = _sum_outside(np.log(kinds[:, used]), below, above)
    scale = scaled / count
    n, free = lines.stretches, count / _LINES_PER_FREE_LINE
    log_weight = -n * (log_kinds / _LINES_PER_FREE_LINE + free * np.log(scale)) + _prior(scale)
    weight = np.exp(log_weight - log_weight.max(axis=0))
    weight /= weight.sum(axis=0)
    own = lines.power[candidates] / kinds[:, candidates]
    tail = betainc(n * free, n, free * scale / (free * scale + own))
    chance = (weight * tail).sum(axis=0)
    return chance, (weight * scale * kinds[:, candidates]).sum(axis=0)


def _sum_outside(
    values: Samples, below: npt.NDArray[np.int_], above: npt.NDArray[np.int_]
) -> Samples:
    """Sum along the last axis up to one index and from another, for each pair of them."""
    edge = np.zeros((len(values), 1))
    upward = np.concatenate([edge, np.cumsum(values, axis=1)], axis=1)
    downward = np.concatenate([np.cumsum(values[:, ::-1], axis=1)[:, ::-1], edge], axis=1)
    # Not the total less what lies between: a strong beat would leave nothing but rounding.
    outside: Samples = upward[:, below] + downward[:, above]
    return outside


def _prior(white_variance: Samples) -> Samples:
    """Log prior of each kind of hunting, given the variance of its white noise in dB^2."""
    ratio = np.repeat(_VARIANCE_RATIO, 2 * _WANDER_TAU_S.size)[:, None]
    sd_db = np.maximum(np.sqrt(ratio * white_variance), _LEAST_SD_DB)
    log_prior: Samples = -0.5 * (np.log(sd_db / _PRIOR_SD_DB) / np.log(_PRIOR_FACTOR)) ** 2
    return log_prior


def _top(lines: _Lines, candidates: npt.NDArray[np.int_], best: int) -> tuple[float, float]:
    """Frequency and power of the top of the lobe that a candidate belongs to."""
    lobe = candidates[max(best - _FINER, 0) : best + _FINER + 1]
    line = int(lobe[np.argmax(lines.power[lobe])])
    # A parabola through the logarithms of three lines.
    below, top, above = np.log(lines.power[line - 1 : line + 2])
    bend = below - 2.0 * top + above
    offset = float(0.5 * (below - above) / bend) if bend < 0.0 else 0.0
    power = np.exp(top - 0.25 * (below - above) * offset)
    return (line + min(max(offset, -0.5), 0.5)) * float(lines.frequency_hz[1]), float(power)


def _depth_db(fundamental_db: float, beats_per_interval: float) -> float:
    """Depth of a beat from the fundamental of its level."""
    largest = _swing(LARGEST_AMPLITUDE_RATIO)
    # An interval averages over a part of the beat; that makes its power swing less.
    seen = _swing(min(fundamental_db / _DB_PER_AMPLITUDE, LARGEST_AMPLITUDE_RATIO))
    swing = min(seen / float(np.sinc(beats_per_interval)), largest)
    return float(10.0 * np.log10((1.0 + swing) / (1.0 - swing)))


def _swing(amplitude_ratio: float) -> float:
    """Swing of the power of a beat as a part of its mean."""
    return 2.0 * amplitude_ratio / (1.0 + amplitude_ratio**2)
