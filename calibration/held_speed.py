"""One fan or pump while its speed is held.

Fans change with the temperature of their bearings and with dust, and what acts of a duty lies
somewhere within the play. So a speed is led back to what was matched by its tachometer, in steps
too small to be heard.
"""

from collections import deque
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from calibration.bench_hands import RunStopped
from calibration.results import MatchedActuator

__all__ = ["HeldSpeed"]

_WINDOW_S: Final = 30
"""Seconds that a speed is averaged over: fans hunt over one to five."""
_FIRST_WINDOW_S: Final = 8
"""The same while a speed is still led to where it belongs."""
_SETTLE_S: Final = 4
"""Seconds after a change of duty that do not count."""
_TRIM: Final = 0.004
"""Relative error of a speed that is led back: an eighth of the decibel that would be heard."""
_GAIN: Final = 0.7
_SMALLEST_PERCENT: Final = 0.05
_LARGEST_PERCENT: Final = 3.0
"""Largest change of a duty at once."""
_PLAY_STEP_PERCENT: Final = 0.6
"""Largest change while nothing follows, as the play is being gone through."""
_STANDING_S: Final = 3
"""Seconds at 0 after which a fan is given a push."""
_POSSIBLE: Final = 0.15
"""Readings further than this share from the middle one are lost or double pulses."""
_PUSH_S: Final = 10
"""Seconds at full duty after which a fan that still stands is broken."""


@dataclass(slots=True)
class HeldSpeed:
    """One actuator while it is held, and the record of how well."""

    name: str
    """Its name."""
    wanted: MatchedActuator
    """What was matched."""
    limits_percent: tuple[float, float]
    """Duties that the bench takes."""
    duty_percent: float
    """Duty that is asked for now."""
    lowest_rpm: float | None = None
    """Lowest mean over half a minute, once it had come to its speed."""
    highest_rpm: float | None = None
    """Highest one."""
    total_rpm: float = 0.0
    """Sum of the readings that count."""
    readings: int = 0
    """How many those are."""
    outside_s: int = 0
    """Seconds in which the mean was outside the tolerance."""
    arrived: bool = False
    """Whether it has come to its speed."""
    mean_now_rpm: float | None = None
    """Mean of the last half minute; None until it has been at its speed for so long."""
    outside_said: bool = False
    """Whether it was said that it is outside."""
    pushed_s: int = 0
    """For how long it has been started at full duty; 0 where it turns."""
    _judged: deque[float] = field(default_factory=lambda: deque(maxlen=_WINDOW_S))
    _recent: deque[float] = field(default_factory=lambda: deque(maxlen=_WINDOW_S))
    _since_change: int = 0
    _standing: int = 0
    _before_trim: float | None = None
    _step_percent: float = 0.0

    @property
    def mean_rpm(self) -> float | None:
        """Mean speed of all that counts."""
        return self.total_rpm / self.readings if self.readings else None

    def take(self, rpm: float | None, tolerance: float) -> float | None:
        """Take a second's tachometer reading.

        Parameters
        ----------
        rpm : float or None
            The reading; None without a tachometer.
        tolerance : float
            Relative deviation that is allowed.

        Returns
        -------
        float or None
            Duty to set now, None where it may stay.

        Raises
        ------
        RunStopped
            If it stands at full duty.
        """
        wanted_rpm = self.wanted.rpm
        if rpm is None or not wanted_rpm:
            self.arrived = True
            if rpm is not None:
                self._judge(rpm, tolerance)
            return None
        if (push := self._push(rpm)) is not None or self.pushed_s:
            self.outside_s += self.arrived
            return push
        if rpm == 0:
            # For a moment: the tachometer rather than the rotor.
            return None
        if self.arrived:
            self._judge(rpm, tolerance)
        self._since_change += 1
        if self._since_change <= _SETTLE_S:
            return None
        self._recent.append(rpm)
        if len(self._recent) < (_WINDOW_S if self.arrived else _FIRST_WINDOW_S):
            return None
        off = _mean(self._recent) / wanted_rpm - 1.0
        self.arrived = self.arrived or abs(off) <= max(tolerance, _TRIM)
        return self._trimmed(off) if abs(off) > _TRIM else None

    def _push(self, rpm: float) -> float | None:
        """Start a fan that stands; a duty that keeps it turning may not start it."""
        self._standing = self._standing + 1 if rpm == 0 else 0
        if self.pushed_s:
            self.pushed_s += 1
            if rpm > 0:
                self.pushed_s = 0
                self._changed()
                return self.duty_percent
            if self.pushed_s > _PUSH_S:
                raise RunStopped(
                    f"The {self.name} stands at full duty; check its cable and what blocks it."
                )
            return None
        if self._standing >= _STANDING_S:
            self.pushed_s = 1
            return self.limits_percent[1]
        return None

    def _judge(self, rpm: float, tolerance: float) -> None:
        """Keep the record."""
        self.total_rpm += rpm
        self.readings += 1
        self._judged.append(rpm)
        if len(self._judged) < _WINDOW_S:
            return
        self.mean_now_rpm = mean = _mean(self._judged)
        self.lowest_rpm = mean if self.lowest_rpm is None else min(self.lowest_rpm, mean)
        self.highest_rpm = mean if self.highest_rpm is None else max(self.highest_rpm, mean)
        self.outside_s += self.is_outside(tolerance)

    def is_outside(self, tolerance: float) -> bool:
        """Tell whether the mean of the last half minute is outside the tolerance.

        Parameters
        ----------
        tolerance : float
            Relative deviation that is allowed.

        Returns
        -------
        bool
            Whether it is; not as long as nothing is known.
        """
        wanted_rpm = self.wanted.rpm
        if self.mean_now_rpm is None or not wanted_rpm:
            return False
        return abs(self.mean_now_rpm / wanted_rpm - 1.0) > tolerance

    def _trimmed(self, off: float) -> float | None:
        """Duty that leads the speed back."""
        wanted = -_GAIN * off * max(self.duty_percent, 5.0)
        before = self._before_trim
        if before is not None and off * before > 0.0 and abs(off) > 0.7 * abs(before):
            # Nothing followed: the play, or a register with coarse steps, is gone through.
            grown = min(1.5 * abs(self._step_percent), _PLAY_STEP_PERCENT)
            wanted = float(np.sign(wanted)) * max(abs(wanted), grown)
        step = float(np.clip(wanted, -_LARGEST_PERCENT, _LARGEST_PERCENT))
        if abs(step) < _SMALLEST_PERCENT:
            step = float(np.sign(step)) * _SMALLEST_PERCENT
        low, high = self.limits_percent
        duty = min(max(round(self.duty_percent + step, 2), low), high)
        if duty == self.duty_percent:
            return None
        self._before_trim, self._step_percent = off, step
        self.duty_percent = duty
        self._changed()
        return duty

    def _changed(self) -> None:
        """Begin again to average."""
        self._recent.clear()
        self._since_change = 0


def _mean(readings: deque[float]) -> float:
    """Mean of tachometer readings without those that cannot be."""
    values = np.array(readings)
    middle = np.median(values)
    return float(values[np.abs(values - middle) <= _POSSIBLE * middle].mean())
