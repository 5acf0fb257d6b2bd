"""How a fan or pump answers to its duty: dead zone, stall, curvature, backlash and inertia."""

from dataclasses import dataclass
from math import exp

import numpy as np

from service.simulation.wander import Wander

__all__ = ["Rotor", "RotorLaw"]

_STICTION_RPM = 40.0
"""A coasting rotor slower than this is held by its bearing and its magnets."""


@dataclass(frozen=True, slots=True)
class RotorLaw:
    """Speed over duty, and how fast it is reached."""

    full_rpm: float
    """Speed at 100 % duty, in revolutions a minute."""
    time_constant_s: float
    """Time constant of a change of speed, in seconds."""
    dead_duty_percent: float = 20.0
    """Below this duty the speed falls no further."""
    stall_duty_percent: float = 0.0
    """Below this duty a turning rotor stops; 0 means never."""
    restart_duty_percent: float = 0.0
    """A stopped rotor starts again from this duty on."""
    bulge_percent: float = 0.0
    """How far the speed at half duty lies above a straight line, in percent of full speed."""
    backlash_percent: float = 0.0
    """Play between the duty that is set and the one that acts, in percent of duty."""
    hunting_percent: float = 0.0
    """Standard deviation of the speed about its mean, in percent."""
    hunting_s: float = 2.0
    """Correlation time of hunting, in seconds."""

    def turning_rpm(self, duty_percent: float) -> float:
        """Return the settled speed of a turning rotor at `duty_percent`."""
        share = max(duty_percent, self.dead_duty_percent) / 100.0
        bulge = 4.0 * self.bulge_percent / 100.0 * share * (1.0 - share)
        return self.full_rpm * (share + bulge)

    def settled_rpm(self, duty_percent: float) -> float:
        """Return the settled speed when `duty_percent` is reached from above; 0 below stall."""
        if duty_percent < self.stall_duty_percent:
            return 0.0
        return self.turning_rpm(duty_percent)


class Rotor:
    """One turning rotor; its angle is kept so that a tachometer can count."""

    def __init__(
        self, law: RotorLaw, duty_percent: float, step_s: float, generator: np.random.Generator
    ) -> None:
        self.law = law
        self._step_s = step_s
        self._keep = exp(-step_s / law.time_constant_s)
        self._hunting = Wander(law.hunting_percent / 100.0, law.hunting_s, step_s, generator)
        self._acting_duty_percent = duty_percent
        self._turning = duty_percent >= law.stall_duty_percent
        self.rpm = self.goal_rpm(duty_percent) * (1.0 + self._hunting.value)
        """Speed now, in revolutions a minute."""
        self.turns = float(generator.random())
        """Revolutions since the start."""

    def _follow(self, duty_percent: float) -> tuple[float, bool]:
        """Return the duty that acts once `duty_percent` is set, and whether it keeps turning."""
        play = self.law.backlash_percent / 2.0
        acting = min(max(self._acting_duty_percent, duty_percent - play), duty_percent + play)
        if acting < self.law.stall_duty_percent:
            return acting, False
        return acting, self._turning or acting >= self.law.restart_duty_percent

    def goal_rpm(self, duty_percent: float) -> float:
        """Return the speed at which it settles under `duty_percent` from now on, less hunting."""
        acting_duty_percent, turning = self._follow(duty_percent)
        return self.law.turning_rpm(acting_duty_percent) if turning else 0.0

    def step(self, duty_percent: float) -> None:
        """Move on by one step under `duty_percent`."""
        self._acting_duty_percent, self._turning = self._follow(duty_percent)
        goal_rpm = self.goal_rpm(duty_percent) * (1.0 + self._hunting.step())
        before_rpm = self.rpm
        self.rpm = goal_rpm + (before_rpm - goal_rpm) * self._keep
        if not self._turning and self.rpm < _STICTION_RPM:
            self.rpm = 0.0
        self.turns += (before_rpm + self.rpm) / 2.0 * self._step_s / 60.0
