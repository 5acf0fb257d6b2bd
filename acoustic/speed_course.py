"""Speed over time: readings of a tachometer, or what the tones of a rotor say of it."""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from acoustic.errors import InputError
from acoustic.signals import Samples

__all__ = ["SpeedCourse"]

_LONGEST_GAP_S: Final = 3.0
"""Between two readings further apart nothing is known."""
_LEAST_WIDTH_S: Final = 0.3
_MOST_WIDTH_S: Final = 1.5
"""Standard deviation in time over which readings are smoothed: readings have steps."""


@dataclass(frozen=True, slots=True, eq=False)
class SpeedCourse:
    """Speed of a rotor in the course of a sound.

    Raises
    ------
    InputError
        If times do not rise or there are no two readings above zero.
    """

    time_s: Samples
    """Times of the readings in seconds from the beginning of the sound, rising."""
    rpm: Samples
    """Readings in revolutions a minute, same shape; NaN or 0 where nothing is known."""

    def __post_init__(self) -> None:
        time_s = np.asarray(self.time_s, dtype=np.float64)
        rpm = np.asarray(self.rpm, dtype=np.float64)
        if time_s.ndim != 1 or time_s.shape != rpm.shape or not np.isfinite(time_s).all():
            raise InputError("A course of speed takes as many times in seconds as speeds in rpm.")
        if (np.diff(time_s) <= 0.0).any():
            place = int(np.argmax(np.diff(time_s) <= 0.0))
            raise InputError(
                f"The times of a course of speed must rise; after {time_s[place]:g} s comes "
                f"{time_s[place + 1]:g} s."
            )
        known = np.isfinite(rpm) & (rpm > 0.0)
        if np.count_nonzero(known) < 2:
            raise InputError(
                "A course of speed needs at least two readings above 0 rpm; give speeds that were "
                "noted while it was recorded."
            )
        object.__setattr__(self, "time_s", time_s[known])
        object.__setattr__(self, "rpm", rpm[known])

    def at(self, time_s: Samples) -> Samples:
        """Return the speed at any times.

        Parameters
        ----------
        time_s : ndarray of float64
            Times in seconds.

        Returns
        -------
        ndarray of float64
            Speeds in rpm, straight between readings; NaN before the first, after the last and
            between two that are more than 3 s apart.

        Examples
        --------
        >>> course = SpeedCourse(np.array([0.0, 2.0]), np.array([1000.0, 1200.0]))
        >>> course.at(np.array([1.0, 2.5]))
        array([1100.,   nan])
        """
        asked = np.asarray(time_s, dtype=np.float64)
        rpm = np.interp(asked, self.time_s, self.rpm, left=np.nan, right=np.nan)
        after = np.clip(np.searchsorted(self.time_s, asked), 1, len(self.time_s) - 1)
        wide = self.time_s[after] - self.time_s[after - 1] > _LONGEST_GAP_S
        return np.where(wide, np.nan, rpm)

    def later(self, delay_s: float) -> Self:
        """Return the same course, so many seconds later."""
        return type(self)(self.time_s + delay_s, self.rpm)

    def smoothed(self) -> Self:
        """Return the course without the steps of its readings.

        Returns
        -------
        SpeedCourse
            At the same times a straight line fitted to the readings around, nearer ones counting
            more: three quarters of the usual distance of readings are one standard deviation,
            0.3 s at least and 1.5 s at most.
        """
        spacing_s = float(np.median(np.diff(self.time_s)))
        width_s = float(np.clip(0.75 * spacing_s, _LEAST_WIDTH_S, _MOST_WIDTH_S))
        fitted = np.empty_like(self.rpm)
        for place, now_s in enumerate(self.time_s.tolist()):
            first, last = np.searchsorted(
                self.time_s, [now_s - 3.0 * width_s, now_s + 3.0 * width_s]
            ).tolist()
            away = self.time_s[first:last] - now_s
            weight = np.exp(-0.5 * np.square(away / width_s))
            here = self.rpm[first:last]
            middle, mean = np.average(away, weights=weight), np.average(here, weights=weight)
            spread = float(weight @ np.square(away - middle))
            slope = float(weight @ ((away - middle) * (here - mean))) / spread if spread else 0.0
            fitted[place] = mean - slope * middle
        # A straight line through a sudden stop would pass below zero.
        return type(self)(self.time_s, np.maximum(fitted, 0.5 * self.rpm))
