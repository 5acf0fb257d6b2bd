"""Fan speed over duty, with the play that small steps get lost in.

Controls and bearings have play: after a change of direction the first fraction of a per cent of
duty does nothing. The speed follows an *effective* duty that trails the set one inside a band of
half-width h. All settings seen so far are explained with each candidate h, and the most probable
one is used.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from acoustic.signals import Samples

__all__ = ["SpeedMap"]

_PLAY_PERCENT: Final = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0, 1.25, 1.5])
"""Candidate half-widths of the play, in per cent of duty."""
_USUAL_PLAY_PERCENT: Final = 0.4
"""Scale on which larger play becomes improbable."""
_SLOPE_PRIOR: Final = 0.9
"""Usual rise of speed over duty relative to simple proportion: fans turn a little at no duty."""
_SLOPE_PRIOR_SD: Final = 0.3
"""How far fans differ in that."""
_SPEED_NOISE: Final = 0.003
"""Relative error of a settled speed: steps of the tachometer, hunting."""
_BEND: Final = 0.3
"""Relative bend of speed over the whole range of duty."""
_TRUSTED_SLOPE: Final = (0.3, 3.0)
"""Bounds of the slope relative to simple proportion."""


def _effective_percent(duties: Samples, play: float) -> Samples:
    """Return the duty that acts, trailing the set one inside the play."""
    acting = np.empty_like(duties)
    now = duties[0]
    for i, duty in enumerate(duties):
        now = min(max(now, duty - play), duty + play)
        acting[i] = now
    return acting


@dataclass(frozen=True, slots=True)
class _Line:
    """Speed over effective duty around the last setting, for one candidate of the play."""

    play: float
    slope: float
    known_percent: float
    """Acting duty of the last setting whose speed is known."""
    acting_percent: float
    """Acting duty now."""
    known_rpm: float
    """Speed at the last known setting, between the steps of the tachometer."""
    log_evidence: float


@dataclass(frozen=True, slots=True)
class SpeedMap:
    """The settings of the fans so far, in order."""

    moves: tuple[tuple[float, float | None], ...] = ()
    """(duty in per cent, settled rpm) of each; None where the speed tells nothing, as for a fan
    that stands still."""
    step_rpm: float = 0.0
    """Step of the tachometer in rpm, as far as it showed."""

    def add(self, duty_percent: float, rpm: float | None) -> "SpeedMap":
        """Return the map with one more setting."""
        return replace(self, moves=(*self.moves, (duty_percent, rpm)))

    def correct(self, rpm: float) -> "SpeedMap":
        """Return the map with a better speed of the last setting, from listening to it."""
        return replace(self, moves=(*self.moves[:-1], (self.moves[-1][0], rpm)))

    def with_step(self, step_rpm: float) -> "SpeedMap":
        """Return the map with a step of the tachometer."""
        return replace(self, step_rpm=step_rpm)

    @property
    def last_rpm(self) -> float:
        """Speed of the last setting with the fans running."""
        return next(rpm for _, rpm in reversed(self.moves) if rpm is not None)

    @property
    def settled_count(self) -> int:
        """How many settings tell a speed."""
        return sum(rpm is not None for _, rpm in self.moves)

    def step_that_was_lost(self, direction: float) -> float:
        """Tell how far to go at least when the last step the same way changed nothing.

        Parameters
        ----------
        direction : float
            1 for up, -1 for down.

        Returns
        -------
        float
            Half as much again as the last step in per cent, if that went this way and the speed
            did not follow; else 0.
        """
        if len(self.moves) < 2:
            return 0.0
        (before_percent, before_rpm), (percent, rpm) = self.moves[-2:]
        step = (percent - before_percent) * direction
        if before_rpm is None or rpm is None or step <= 0.0:
            return 0.0
        followed = (rpm - before_rpm) * direction
        return 1.5 * step if followed < 0.4 * self._best_line().slope * step else 0.0

    def _line(self, play: float) -> _Line:
        """Explain the settings with one candidate of the play."""
        acting = _effective_percent(np.array([duty for duty, _ in self.moves]), play)
        known = [i for i, (_, rpm) in enumerate(self.moves) if rpm is not None]
        rpm = np.array([self.moves[i][1] for i in known], dtype=np.float64)
        here, last_rpm = acting[known[-1]], rpm[-1]
        away, rise = acting[known] - here, rpm - last_rpm
        proportion = last_rpm / max(here, 1.0)
        noise = np.hypot(
            last_rpm * (_SPEED_NOISE + _BEND * (away / 100.0) ** 2), self.step_rpm / np.sqrt(12.0)
        )
        # Level and slope of the line, the slope with a prior: normal equations of two unknowns.
        prior_weight = 1.0 / (_SLOPE_PRIOR_SD * proportion) ** 2
        weight = 1.0 / noise**2
        normal = np.array(
            [
                [weight.sum(), (weight * away).sum()],
                [(weight * away).sum(), (weight * away**2).sum() + prior_weight],
            ]
        )
        right = np.array(
            [
                (weight * rise).sum(),
                (weight * away * rise).sum() + prior_weight * _SLOPE_PRIOR * proportion,
            ]
        )
        level, slope = (float(x) for x in np.linalg.solve(normal, right))
        misfit = float((weight * (rise - level - slope * away) ** 2).sum())
        misfit += prior_weight * (slope - _SLOPE_PRIOR * proportion) ** 2
        log_evidence = -0.5 * (misfit + float(np.linalg.slogdet(normal)[1]))
        log_evidence -= play / _USUAL_PLAY_PERCENT
        low, high = _TRUSTED_SLOPE
        slope = min(max(slope, low * proportion), high * proportion)
        half_step = 0.5 * self.step_rpm
        refined_rpm = last_rpm + min(max(level, -half_step), half_step)
        return _Line(play, slope, float(here), float(acting[-1]), refined_rpm, float(log_evidence))

    def _best_line(self) -> _Line:
        """Return the most probable explanation of the settings."""
        return max((self._line(play) for play in _PLAY_PERCENT), key=lambda line: line.log_evidence)

    @property
    def refined_rpm(self) -> float:
        """Speed at the last setting, between the steps of a coarse tachometer.

        All settings together lie along a line and say more than one reading does.
        """
        return self._best_line().known_rpm

    def duty_for(self, rpm: float, *, from_beyond: bool = False) -> float:
        """Duty that should give a speed.

        Parameters
        ----------
        rpm : float
            Wanted speed.
        from_beyond : bool, optional
            Whether the speed is approached from the far side, after driving the fans past it: then
            the play is on the other side.

        Returns
        -------
        float
            Duty in per cent: from the last setting along the slope around it, and through the
            play where the direction changes.
        """
        line = self._best_line()
        acting = line.known_percent + (rpm - line.known_rpm) / line.slope
        direction = acting - line.acting_percent
        play = float(np.copysign(line.play, direction))
        return acting - play if from_beyond else acting + play

    def rpm_at(self, duty_percent: float) -> float:
        """Speed that a duty should give, along the slope through the last setting."""
        line = self._best_line()
        return max(line.known_rpm + (duty_percent - line.known_percent) * line.slope, 1.0)
