"""Two logs of one run on clocks of their own, brought together by what both have seen.

A load that goes on and off shows in the power, and within a second or two in the temperature of
the die. So the changes of one log are moved over those of the other until they fit. A clock that
is an hour or a minute off does not matter; one that says nearly the right thing only decides
between fits that are equally good, as of a load that cycles.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.signals import Samples
from calibration.run_log import RunLog, block_means, cleaned

__all__ = ["Alignment", "align_logs", "taken_over"]

_STEP_S: Final = 1.0
_SMOOTH: Final = 5
"""Blocks over which a change is taken."""
_CLIPPED: Final = 8.0
"""Changes count up to so many usual ones, so that no spike decides."""
_LEAST_FIT: Final = 0.3
"""Correlation of changes below which nothing is told."""
_AS_GOOD: Final = 0.9
_LEAST_OVERLAP: Final = 0.5
_SURE: Final = 6.0
"""How many times the chance correlation of two unlike logs a fit must be."""
_GAP: Final = 3.0
"""A moment is missing in a log if its neighbours are further away than so many usual steps."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How one log's clock is brought to another's."""

    offset_s: float
    """What is added to its times."""
    by: str | None
    """What told it, in words; None where nothing in both does."""
    alike: bool = False
    """Whether other offsets fit as well, as of a load that cycles."""


def align_logs(base: RunLog, other: RunLog, guess_s: float | None) -> Alignment | None:
    """Bring a log to the clock of another one.

    Parameters
    ----------
    base : RunLog
        The log that stays, in its own time.
    other : RunLog
        The log to be moved, in its own time; its processor's temperature may be missing (NaN).
    guess_s : float or None
        What their clocks say is to be added to the other's times; None where they say nothing.

    Returns
    -------
    Alignment or None
        What is to be added; None where neither a feature nor a clock tells.
    """
    known = cleaned(base)[0].columns(), cleaned(other)[0].columns()
    for first, second in _features(*known):
        found = _best_fit(
            _changes(base.time_s, known[0][first]),
            _changes(other.time_s, known[1][second]),
            (float(base.time_s[0]), float(other.time_s[0])),
            guess_s,
        )
        if found is not None:
            words = {"processor_c": "temperature", "power_w": "power", "level_db": "level"}
            names = dict.fromkeys(words.get(name, "speed") for name in (first, second))
            return Alignment(found[0], " and ".join(names), alike=found[1])
    return None if guess_s is None else Alignment(guess_s, None)


def _features(base: dict[str, Samples], other: dict[str, Samples]) -> list[tuple[str, str]]:
    """Pairs of columns that show the same, the clearest first."""
    usable = [
        {n for n, v in log.items() if np.count_nonzero(np.isfinite(v)) > 20}
        for log in (base, other)
    ]
    heat = [
        ("power_w", "power_w"),
        ("processor_c", "processor_c"),
        ("processor_c", "power_w"),
        ("power_w", "processor_c"),
    ]
    same = [(name, name) for name in base if name.startswith("rpm ") or name == "level_db"]
    return [pair for pair in [*heat, *same] if pair[0] in usable[0] and pair[1] in usable[1]]


def _changes(time_s: Samples, values: Samples) -> Samples:
    """Changes of a column over some seconds, second by second from its begin."""
    place = np.round((time_s - time_s[0]) / _STEP_S).astype(np.int64)
    means = block_means(values, place)
    known = np.flatnonzero(np.isfinite(means))
    filled = np.interp(np.arange(means.size), known, means[known])
    if filled.size <= 2 * _SMOOTH:
        return np.zeros(0)
    sums = np.cumsum(np.concatenate([[0.0], filled]))
    smooth = (sums[_SMOOTH:] - sums[:-_SMOOTH]) / _SMOOTH
    changes = np.zeros(filled.size)
    middle = smooth[_SMOOTH:] - smooth[:-_SMOOTH]
    changes[_SMOOTH : _SMOOTH + middle.size] = middle
    usual = float(np.sqrt(np.mean(np.square(changes))))
    return np.clip(changes, -_CLIPPED * usual, _CLIPPED * usual) if usual > 0.0 else np.zeros(0)


def _best_fit(
    base: Samples, other: Samples, begins_s: tuple[float, float], guess_s: float | None
) -> tuple[float, bool] | None:
    """What is to be added to the other's times, and whether more fits; None where nothing does."""
    shortest = min(base.size, other.size)
    if shortest < 60:
        return None
    size = 1 << int(base.size + other.size - 1).bit_length()

    def correlated(first: Samples, second: Samples) -> Samples:
        """Sums of products at every lag of the second behind the first."""
        both = np.fft.rfft(first, size) * np.conj(np.fft.rfft(second, size))
        full = np.fft.irfft(both, size)
        return np.concatenate([full[size - other.size + 1 :], full[: base.size]])

    ones = np.ones(base.size), np.ones(other.size)
    overlap = correlated(*ones)
    energy = correlated(base**2, ones[1]), correlated(ones[0], other**2)
    products = correlated(base, other)
    floor = 0.02 * float(np.sum(base**2)), 0.02 * float(np.sum(other**2))
    fits = products / np.sqrt(np.maximum(energy[0], floor[0]) * np.maximum(energy[1], floor[1]))
    fits[overlap < _LEAST_OVERLAP * shortest] = -1.0
    best = float(fits.max())
    if best < max(_LEAST_FIT, _SURE * np.sqrt(2.0 * _SMOOTH / shortest) / 2.0):
        return None
    lags = np.arange(fits.size) - (other.size - 1)
    offsets_s = lags * _STEP_S + begins_s[0] - begins_s[1]
    peaks = np.flatnonzero(
        (fits > _AS_GOOD * best) & (fits >= np.roll(fits, 1)) & (fits >= np.roll(fits, -1))
    )
    # Of equally good fits, the one nearest to what the clocks or the begins say.
    near_s = guess_s if guess_s is not None else begins_s[0] - begins_s[1]
    chosen = int(peaks[np.argmin(np.abs(offsets_s[peaks] - near_s))])
    return float(offsets_s[chosen]) + _STEP_S * _between(fits, chosen), peaks.size > 1


def _between(fits: Samples, place: int) -> float:
    """Where between its neighbours a peak lies, by a parabola."""
    if not 0 < place < fits.size - 1:
        return 0.0
    left, middle, right = fits[place - 1 : place + 2]
    bend = left - 2.0 * middle + right
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0


def taken_over(base_s: Samples, other_s: Samples, values: Samples) -> Samples:
    """Read a column of one log at the moments of another.

    Parameters
    ----------
    base_s : ndarray of float64, shape (n,)
        The moments, in seconds.
    other_s : ndarray of float64, shape (m,)
        Moments of the column on the same clock.
    values : ndarray of float64, shape (m,)
        The column; NaN where a value is missing.

    Returns
    -------
    ndarray of float64, shape (n,)
        Values between neighbours; NaN where there are none near.
    """
    known = np.isfinite(values)
    at_s, there = other_s[known], values[known]
    if at_s.size < 2:
        return np.full(base_s.size, np.nan)
    read = np.interp(base_s, at_s, there)
    longest_s = _GAP * float(np.median(np.diff(at_s)))
    after = np.clip(np.searchsorted(at_s, base_s), 1, at_s.size - 1)
    far = at_s[after] - at_s[after - 1] > longest_s
    outside = (base_s < at_s[0] - longest_s) | (base_s > at_s[-1] + longest_s)
    return np.where(far | outside, np.nan, read)
