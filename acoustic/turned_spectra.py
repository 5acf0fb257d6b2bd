"""Spectra of short segments whose time is stretched so that a rotor turns evenly in them.

In a glide of 10 % a second a tone that follows the speed is smeared over many lines. Where the
segment is sampled again at even steps of the rotor's angle, everything that follows it is a
sharp line whatever the speed does, and what stays put is smeared instead.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.fft import next_fast_len, rfft
from scipy.ndimage import map_coordinates, spline_filter1d

from acoustic.errors import SignalError
from acoustic.signals import PressureSignal, Samples
from acoustic.speed_course import SpeedCourse

__all__ = ["Cut", "SegmentPlan", "cuts_of", "even_density", "turned_density"]

_SHORTEST_S: Final = 0.4
"""Lines 2.5 Hz apart, as discrete tones need them."""
_LONGEST_S: Final = 1.0
_TURNS: Final = 8.0
"""Turns of the rotor in a segment, so that its orders lie several lines apart."""
_MARGIN: Final = 0.35
"""What is kept on either side of a segment, relative to it: it may be stretched."""
_KNOTS: Final = 33
"""Points at which the angle is followed through a segment."""
_MOST_STRETCH: Final = 1.3
"""Speed at the ends of a segment over that in its middle, at most."""


@dataclass(frozen=True, slots=True)
class SegmentPlan:
    """How a sound is cut: segments overlapping by half."""

    rate_hz: float
    """Sampling rate in hertz."""
    frames: int
    """Length of a segment, even."""
    highest_hz: float
    """Lines above are not kept."""

    @classmethod
    def for_speeds(cls, rate_hz: float, lowest_rpm: float, *, highest_hz: float) -> "SegmentPlan":
        """Choose a length: eight turns of the slowest speed, from 0.4 to 1 s.

        Parameters
        ----------
        rate_hz : float
            Sampling rate in hertz.
        lowest_rpm : float
            Lowest speed in rpm.
        highest_hz : float
            Highest frequency that is wanted.

        Returns
        -------
        SegmentPlan
            The plan.
        """
        wanted_s = float(np.clip(_TURNS * 60.0 / lowest_rpm, _SHORTEST_S, _LONGEST_S))
        frames = 2 * int(next_fast_len(int(np.ceil(wanted_s * rate_hz / 2.0)), real=True))
        return cls(float(rate_hz), frames, min(highest_hz, rate_hz / 2.0))

    @property
    def spacing_hz(self) -> float:
        """Distance of lines in hertz."""
        return self.rate_hz / self.frames

    @property
    def lines(self) -> int:
        """Number of lines kept; the first is 0 Hz."""
        return int(self.highest_hz / self.spacing_hz) + 1

    @property
    def hop_s(self) -> float:
        """Time from one segment to the next in seconds."""
        return self.frames // 2 / self.rate_hz

    @property
    def margin(self) -> int:
        """Frames kept on either side of a segment."""
        return int(_MARGIN * self.frames)


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """A segment with what is around it."""

    middle_s: float
    """Its middle in seconds from the beginning of the sound."""
    samples: Samples
    """Sound pressure in Pa with the margins on both sides, shape ``(frames, channels)``."""


def cuts_of(blocks: Iterable[PressureSignal], plan: SegmentPlan) -> Iterator[Cut]:
    """Cut a sound that comes in blocks.

    Parameters
    ----------
    blocks : iterable of PressureSignal
        The sound, in any blocks; they are not kept.
    plan : SegmentPlan
        How it is cut.

    Yields
    ------
    Cut
        The segments that have their margins, in order of time.

    Raises
    ------
    SignalError
        If a block has another rate.
    """
    whole, hop = plan.frames + 2 * plan.margin, plan.frames // 2
    kept: Samples | None = None
    first = 0
    for block in blocks:
        if block.rate_hz != plan.rate_hz:
            raise SignalError(
                f"A block at {block.rate_hz:g} Hz does not go on with sound at {plan.rate_hz:g} Hz."
            )
        kept = block.samples if kept is None else np.concatenate([kept, block.samples])
        place = 0
        while place + whole <= len(kept):
            middle_s = (first + place + whole / 2) / plan.rate_hz
            yield Cut(middle_s, kept[place : place + whole])
            place += hop
        kept, first = kept[place:], first + place


def even_density(cut: Cut, plan: SegmentPlan) -> Samples:
    """Spectrum of a segment as it is.

    Parameters
    ----------
    cut : Cut
        The segment.
    plan : SegmentPlan
        How it was cut.

    Returns
    -------
    ndarray of float64, shape (lines,)
        Density in Pa^2/Hz, averaged over channels. Hann window.
    """
    return _density(cut.samples[plan.margin : plan.margin + plan.frames], plan)


def turned_density(
    cut: Cut, plan: SegmentPlan, course: SpeedCourse, reference_rpm: float
) -> Samples | None:
    """Spectrum of a segment over multiples of a rotor's speed.

    Parameters
    ----------
    cut : Cut
        The segment.
    plan : SegmentPlan
        How it was cut.
    course : SpeedCourse
        Speed of the rotor.
    reference_rpm : float
        Speed near that in the middle, at which the lines have their frequencies: order n lies at
        ``n * reference_rpm / 60``, whatever the speed was.

    Returns
    -------
    ndarray of float64, shape (lines,), or None
        Density in Pa^2/Hz; a tone keeps its mean square. None where the speed is not known
        throughout, or changes by more than 30 %.
    """
    half_s = (0.5 * plan.frames + plan.margin) / plan.rate_hz
    away_s = np.linspace(-half_s, half_s, _KNOTS)
    middle = float(course.at(np.array([cut.middle_s]))[0])
    speed = course.at(cut.middle_s + away_s)
    # At its ends a recording goes on beyond the last reading.
    speed = np.where(np.isfinite(speed), speed, middle) / reference_rpm
    if not np.isfinite(middle):
        return None
    inner = speed[np.abs(away_s) <= 0.5 * plan.frames / plan.rate_hz]
    if inner.max() > _MOST_STRETCH * inner.min():
        return None
    step = np.diff(away_s) * 0.5 * (speed[1:] + speed[:-1])
    angle_s = np.concatenate([[0.0], np.cumsum(step)])
    angle_s -= np.interp(0.0, away_s, angle_s)
    even_s = (np.arange(plan.frames) - 0.5 * (plan.frames - 1)) / plan.rate_hz
    if angle_s[0] > even_s[0] or angle_s[-1] < even_s[-1]:
        return None
    # The exact inverse between knots is a parabola; its chord is off by less than a millionth of
    # the segment where the speed changes by 10 % a second, so refine it once.
    time_s = np.interp(even_s, angle_s, away_s)
    rate = np.interp(time_s, away_s, speed)
    time_s += (even_s - _angle_at(time_s, away_s, speed, angle_s)) / rate
    places = time_s * plan.rate_hz + 0.5 * (len(cut.samples) - 1)
    turned = np.empty((plan.frames, cut.samples.shape[1]))
    for channel in range(cut.samples.shape[1]):
        spline = spline_filter1d(cut.samples[:, channel], order=3, mode="mirror")
        turned[:, channel] = map_coordinates(
            spline, places[None], order=3, mode="mirror", prefilter=False
        )
    return _density(turned, plan)


def _angle_at(time_s: Samples, away_s: Samples, speed: Samples, angle_s: Samples) -> Samples:
    """Angle at any time, the speed straight between knots."""
    step_s = away_s[1] - away_s[0]
    knot = np.clip(((time_s - away_s[0]) / step_s).astype(np.int_), 0, len(away_s) - 2)
    past = time_s - away_s[knot]
    slope = (speed[knot + 1] - speed[knot]) / step_s
    angle: Samples = angle_s[knot] + past * (speed[knot] + 0.5 * slope * past)
    return angle


def _density(samples: npt.NDArray[np.float64], plan: SegmentPlan) -> Samples:
    """Density of one segment, averaged over channels."""
    length = plan.frames
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    lines = rfft(samples * window[:, None], axis=0)[: plan.lines]
    squares = (np.square(lines.real) + np.square(lines.imag)).mean(axis=1)
    density: Samples = squares * (2.0 / (plan.rate_hz * 0.375 * length))
    return density
