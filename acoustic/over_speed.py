"""Spectra of a machine over its speed, gathered from a glide or from steps.

For each narrow range of speed two mean spectra are kept: one as heard, in which a resonance or hum
is a line, and one sampled at even steps of the rotor's angle, in which its orders are. Memory
does not grow with the sound.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.decibels import level_db
from acoustic.errors import SignalError
from acoustic.frequency_weighting import a_weighting_db
from acoustic.microphone_response import MicrophoneResponse
from acoustic.signals import PressureSignal, Samples
from acoustic.spectrum import Spectrum
from acoustic.speed_course import SpeedCourse
from acoustic.turned_spectra import SegmentPlan, cuts_of, even_density, turned_density

__all__ = ["OverSpeed", "gather_over_speed"]

_HIGHEST_HZ: Final = 16_000.0
"""The band above the highest discrete tone ends below this."""
_WANTED: Final = 4
"""Segments that a range of speed shall hold."""
_NARROWEST: Final = 0.01
_WIDEST: Final = 0.04
"""Relative widths of a range of speed."""
_MOVES_PER_S: Final = 0.002
"""Relative change of speed a second from which it is a glide."""


@dataclass(frozen=True, slots=True, eq=False)
class OverSpeed:
    """Mean spectra in ranges of speed; ranges without sound are left out."""

    rpm: Samples
    """Middle of each range in rpm, rising, shape ``(speeds,)``."""
    width: float
    """Width of a range relative to its middle."""
    spacing_hz: float
    """Distance of lines in hertz."""
    counts: npt.NDArray[np.int_]
    """Segments in each range, shape ``(speeds,)``."""
    even_density: npt.NDArray[np.float64]
    """Density as heard, in Pa^2/Hz, shape ``(speeds, lines)``."""
    turned_density: npt.NDArray[np.float64]
    """The same sampled at even steps of the angle: order n lies at ``n * rpm / 60``."""
    segments: int
    """Segments that the sound has in all."""

    @property
    def frequency_hz(self) -> Samples:
        """Frequencies of the lines in hertz."""
        return self.spacing_hz * np.arange(self.even_density.shape[1], dtype=np.float64)

    @property
    def LAeq_db(self) -> Samples:
        """A-weighted level at each speed in dB, shape ``(speeds,)``."""
        gain = 10.0 ** (a_weighting_db(self.frequency_hz) / 10.0)
        level: Samples = level_db(self.even_density @ gain * self.spacing_hz)
        return level

    def averages(self, place: int) -> int:
        """Return how many independent segments a range is the mean of; half overlaps cost 5 %."""
        return max(1, int(0.95 * self.counts[place]))

    def turned(self, place: int) -> Spectrum:
        """Return the spectrum of a range in which orders are lines."""
        density = self.turned_density[place][:, None]
        return Spectrum(self.spacing_hz, 1.5 * self.spacing_hz, density, self.averages(place))


def gather_over_speed(
    blocks: Callable[[], Iterable[PressureSignal]],
    course: SpeedCourse,
    *,
    response: MicrophoneResponse | None = None,
    left_out_s: Sequence[tuple[float, float]] = (),
) -> OverSpeed:
    """Gather spectra over the speed of a rotor.

    Parameters
    ----------
    blocks : callable
        Returns the sound from its beginning, block by block; it is gone through once.
    course : SpeedCourse
        Speed of the rotor over time.
    response : MicrophoneResponse, optional
        Response of the microphone, which is taken out.
    left_out_s : sequence of (float, float)
        Intervals in seconds whose sound is not used.

    Returns
    -------
    OverSpeed
        The spectra.

    Raises
    ------
    SignalError
        If nothing of the sound can be used.
    """
    stream = iter(blocks())
    first = next(stream, None)
    if first is None:
        raise SignalError("There is no sound to look at over speed.")
    lowest, highest = float(course.rpm.min()), float(course.rpm.max())
    plan = SegmentPlan.for_speeds(first.rate_hz, lowest, highest_hz=_HIGHEST_HZ)
    width = _width(course, plan.hop_s)
    ranges = int(np.ceil(np.log(highest / lowest) / width)) + 1
    centres = lowest * np.exp(width * np.arange(ranges))
    even, turned = np.zeros((ranges, plan.lines)), np.zeros((ranges, plan.lines))
    counts = np.zeros(ranges, dtype=np.int_)
    half_s, segments = 0.5 * plan.frames / plan.rate_hz, 0
    for cut in cuts_of(chain([first], stream), plan):
        segments += 1
        begin_s, end_s = cut.middle_s - half_s, cut.middle_s + half_s
        rpm = float(course.at(np.array([cut.middle_s]))[0])
        if not np.isfinite(rpm) or any(a < end_s and b > begin_s for a, b in left_out_s):
            continue
        place = min(max(round(float(np.log(rpm / lowest)) / width), 0), ranges - 1)
        line = turned_density(cut, plan, course, float(centres[place]))
        if line is not None:
            turned[place] += line
            even[place] += even_density(cut, plan)
            counts[place] += 1
    heard = counts > 0
    if not heard.any():
        raise SignalError(
            "At no time is there both sound that can be used and a speed that is known; check "
            "that the speeds belong to this recording."
        )
    mean = 1.0 / counts[heard][:, None]
    gain = np.ones(plan.lines)
    if response is not None:
        lines_hz = plan.spacing_hz * np.arange(plan.lines, dtype=np.float64)
        gain = 10.0 ** (-response.at_db(lines_hz) / 10.0)
    return OverSpeed(
        rpm=centres[heard],
        width=width,
        spacing_hz=plan.spacing_hz,
        counts=counts[heard],
        even_density=even[heard] * mean * gain,
        turned_density=turned[heard] * mean * gain,
        segments=segments,
    )


def _width(course: SpeedCourse, hop_s: float) -> float:
    """Relative width of a range, so that a glide leaves some segments in each."""
    slope = np.abs(np.diff(np.log(course.rpm)) / np.diff(course.time_s))
    moving = slope[slope > _MOVES_PER_S]
    if not len(moving):
        return _NARROWEST
    return float(np.clip(_WANTED * hop_s * np.median(moving), _NARROWEST, _WIDEST))
