"""The speed of a rotor as its own tones tell it, near what was read from a tachometer.

A reading comes late, has steps and may be off by a per cent; the sound is none of that. All orders
of a rotor move together, so the course on which most lines stand out of the noise is its speed.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, median_filter

from acoustic.errors import SignalError
from acoustic.rotors import Rotor
from acoustic.signals import PressureSignal, Samples
from acoustic.speed_course import SpeedCourse
from acoustic.turned_spectra import SegmentPlan, cuts_of, even_density, turned_density

__all__ = ["SpeedFromSound", "speed_from_sound"]

_HIGHEST_HZ: Final = 4000.0
"""Lines above tell nothing about a speed that those below do not."""
_HIGHEST_ORDER: Final = 60
_REACH: Final = 0.03
"""How far the speed may be from what was read, once its delay is known."""
_STEP: Final = 0.001
_READ_U: Final = 0.01
"""Standard uncertainty of a reading, relative to it."""
_TURN_U: Final = 0.003
"""How much that deviation changes from one segment to the next."""
_DELAYS_S: Final = np.arange(-0.5, 2.51, 0.1)
"""By how much the sound may come after the reading."""
_STANDS_OUT_DB: Final = 6.0
_CLEARLY_DB: Final = 18.0
"""A line that stands out of those around it counts from the first on, and as one at the second."""
_FURTHER: Final = 0.4
"""How much less counts what it stands out beyond that: the top of a line tells where it is."""
_APART: Final = 0.02
_FEWEST_SPEEDS: Final = 8
"""What stays is told where speeds so far apart, relative to them, are so many."""
_SKIRT: Final = 2
"""Lines on either side that a tone is spread over."""
_BESIDE: Final = 41
"""Lines around, whose median is the noise."""


@dataclass(frozen=True, slots=True, eq=False)
class SpeedFromSound:
    """A speed as the sound tells it."""

    course: SpeedCourse
    """The speed over time, at the middle of every segment in which it was known."""
    delay_s: float
    """By how much the sound came after the readings, in seconds."""
    deviation: float
    """Median deviation from the readings so delayed, relative to them."""


def speed_from_sound(
    blocks: Callable[[], Iterable[PressureSignal]], read: SpeedCourse, rotor: Rotor
) -> SpeedFromSound:
    """Find the speed of a rotor near its readings.

    Parameters
    ----------
    blocks : callable
        Returns the sound from its beginning, block by block; it is gone through three times.
    read : SpeedCourse
        Speed over time as it was read.
    rotor : Rotor
        What turns; its blades and poles, where known, count more.

    Returns
    -------
    SpeedFromSound
        The speed.

    Raises
    ------
    SignalError
        If the speed is known nowhere in the sound.

    Notes
    -----
    Each segment is sampled at even steps of the angle, so that a glide does not smear its tones.
    The best path through the deviations of all segments is found at once (dynamic programming):
    where other tones cross, what comes before and after tells.
    """
    smooth = read.smoothed()
    scores = _Scores.of(blocks(), smooth, rotor)
    delay_s = scores.delay_s(smooth)
    if delay_s:
        smooth = smooth.later(delay_s)
        scores = _Scores.of(blocks(), smooth, rotor)
    first = scores.followed().smoothed()
    # What the first look found is bent less wrongly than what was read.
    course = _Scores.of(blocks(), first, rotor).followed().smoothed()
    deviation = course.rpm / smooth.at(course.time_s) - 1.0
    return SpeedFromSound(course, delay_s, float(np.nanmedian(deviation)))


@dataclass(frozen=True, slots=True, eq=False)
class _Scores:
    """How much stands out in each segment on the orders of each speed."""

    time_s: Samples
    """Middles of the segments."""
    stands_out: Samples
    """How much each line stands out, shape ``(segments, lines)``."""
    spacing_hz: float
    """Distance of lines."""
    reference_rpm: Samples
    """Speed at which the lines of each segment have their frequencies."""
    weights: Samples
    """How much each order counts."""

    @classmethod
    def of(cls, blocks: Iterable[PressureSignal], course: SpeedCourse, rotor: Rotor) -> "_Scores":
        """Go through a sound once."""
        times, lines, speeds, even = [], [], [], []
        stream = iter(blocks)
        first = next(stream, None)
        if first is None:
            raise SignalError("There is no sound to follow a speed in.")
        lowest_rpm = float(course.rpm.min())
        plan = SegmentPlan.for_speeds(first.rate_hz, lowest_rpm, highest_hz=_HIGHEST_HZ)
        for cut in cuts_of(chain([first], stream), plan):
            rpm = float(course.at(np.array([cut.middle_s]))[0])
            if not np.isfinite(rpm):
                continue
            density = turned_density(cut, plan, course, rpm)
            if density is not None:
                times.append(cut.middle_s)
                speeds.append(rpm)
                lines.append(_standing_out(density))
                even.append(_standing_out(even_density(cut, plan)).astype(np.float32))
        if not times:
            raise SignalError(
                "No speed is known at any time of the sound; check that the speeds belong to this "
                "recording and count their seconds from its beginning."
            )
        return cls(
            np.array(times),
            np.array(lines) * ~_staying(np.array(even), np.array(speeds)),
            plan.spacing_hz,
            np.array(speeds),
            _weights(rotor),
        )

    def on_orders(self, rpm: Samples) -> Samples:
        """Sum what stands out on the orders of some speeds, shape ``(segments, speeds)``."""
        total = np.zeros(rpm.shape)
        segment = np.arange(len(rpm))[:, None]
        last = self.stands_out.shape[1] - 1
        for order, weight in enumerate(self.weights.tolist(), start=1):
            place = order * rpm / 60.0 / self.spacing_hz
            low = np.minimum(place.astype(np.int_), last - 1)
            part = place - low
            value = (1.0 - part) * self.stands_out[segment, low]
            value += part * self.stands_out[segment, low + 1]
            total += weight * np.where(place < last, value, 0.0)
        return total

    def delay_s(self, read: SpeedCourse) -> float:
        """By how much the sound comes after the readings; 0 where it makes no difference."""
        near = np.array([-0.003, 0.0, 0.003])
        totals = []
        for delay_s in _DELAYS_S.tolist():
            rpm = read.at(self.time_s - delay_s)
            known = np.isfinite(rpm)
            speeds = np.where(known, rpm, self.reference_rpm)[:, None] * (1.0 + near)
            totals.append(float(self.on_orders(speeds).max(axis=1).sum()))
        best = int(np.argmax(totals))
        now = totals[int(np.argmin(np.abs(_DELAYS_S)))]
        return float(_DELAYS_S[best]) if totals[best] > 1.03 * now + 2.0 else 0.0

    def followed(self) -> SpeedCourse:
        """Speed in each segment, by the best path through all."""
        grid = np.arange(-round(_REACH / _STEP), round(_REACH / _STEP) + 1) * _STEP
        own = self.on_orders(self.reference_rpm[:, None] * (1.0 + grid))
        own -= 0.5 * np.square(grid / _READ_U)
        step = -0.5 * np.square((grid[:, None] - grid) / _TURN_U)
        best = own[0]
        came_from = np.zeros(own.shape, dtype=np.int_)
        for segment in range(1, len(own)):
            ways = best + step
            came_from[segment] = ways.argmax(axis=1)
            best = ways.max(axis=1) + own[segment]
        place = int(best.argmax())
        path = np.empty(len(own))
        for segment in range(len(own) - 1, -1, -1):
            path[segment] = grid[place]
            place = int(came_from[segment, place])
        return SpeedCourse(self.time_s, self.reference_rpm * (1.0 + path))


def _standing_out(density: Samples) -> Samples:
    """How much each line stands out of those around it: 1 where it does clearly."""
    tiny = 1e-13 * density.max() + np.finfo(np.float64).tiny
    noise = np.maximum(median_filter(density, _BESIDE, mode="nearest"), tiny)
    out_db = 10.0 * np.log10(np.maximum(density, tiny) / noise)
    out = np.maximum((out_db - _STANDS_OUT_DB) / (_CLEARLY_DB - _STANDS_OUT_DB), 0.0)
    counts: Samples = np.where(out > 1.0, 1.0 + _FURTHER * (out - 1.0), out)
    return counts


def _staying(even: npt.NDArray[np.float32], rpm: Samples) -> npt.NDArray[np.bool_]:
    """Lines of tones that stand out at most speeds, and so are no orders; shape ``(lines,)``.

    A hum as loud as the only order would otherwise hold the speed where the two cross slowly.
    """
    group = np.round(np.log(rpm) / _APART).astype(np.int_)
    groups = np.unique(group)
    if len(groups) < _FEWEST_SPEEDS:
        return np.zeros(even.shape[1], dtype=np.bool_)
    means = np.array([even[group == each].mean(axis=0) for each in groups])
    return binary_dilation(np.median(means, axis=0) > 0.5, iterations=_SKIRT)


def _weights(rotor: Rotor) -> Samples:
    """How much each order counts: those that blades and poles make, more."""
    order = np.arange(1, _HIGHEST_ORDER + 1)
    weights = np.full(len(order), 1.0)
    for count, more in ((rotor.blades, 4.0), (rotor.poles, 2.0)):
        if count is not None:
            weights[order % count == 0] += more
    return weights
