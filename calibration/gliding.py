"""Slowing the fans down evenly while listening, so that nothing between two settings is missed.

Speed is read every half second while the levels come in, and both are paired block by block. The
tachometer trails the rotor and the sound trails both, by up to 1.5 s together; how much it is
shows in the levels themselves (`resonances`), so here every block also keeps how fast the speed
changed in it.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.decibels import energy_mean_db
from acoustic.signals import Samples
from calibration.bench_hands import Steps
from calibration.fan_moves import FanMoves
from calibration.steps import Heard

__all__ = ["GlideBlocks", "GlideTrack", "add_arrival", "glide_down"]

BLOCK_S: Final = 0.5
"""How often the duty is lowered and the tachometer is read."""
_RATE_PER_S: Final = 0.02
"""Relative change of speed per second: a resonance of 5 % is passed in some three seconds, and a
second of delay moves it by 2 %."""
_SMOOTHED_READINGS: Final = 5
"""Tachometer readings that are averaged: their steps are larger than the change between two."""
_FASTEST_PER_S: Final = 0.08
"""Fans that slow down faster are about to stop, and their speed is not known well enough."""
_LEAST_FALL: Final = 0.02
"""A glide over less than this is none."""


@dataclass(frozen=True, slots=True, eq=False)
class GlideBlocks:
    """What one or more glides come to, every half second, in order of time."""

    speed: Samples
    """Mean speed by the tachometer in rpm, or the duty in its place, shape ``(blocks,)``."""
    rate_per_s: Samples
    """Relative change of speed per second, same shape; negative while it falls."""
    level_db: Samples
    """Level as read in dB, same shape."""

    def only(self, good: npt.NDArray[np.bool_]) -> "GlideBlocks":
        """Return some of the blocks."""
        return GlideBlocks(self.speed[good], self.rate_per_s[good], self.level_db[good])

    @classmethod
    def together(cls, parts: "list[GlideBlocks]") -> "GlideBlocks":
        """Put the blocks of several glides together."""
        parts = [cls(np.zeros(0), np.zeros(0), np.zeros(0)), *parts]
        return cls(
            np.concatenate([part.speed for part in parts]),
            np.concatenate([part.rate_per_s for part in parts]),
            np.concatenate([part.level_db for part in parts]),
        )


@dataclass(slots=True)
class GlideTrack:
    """One glide: levels and speeds as they came."""

    first_speed: float
    """Speed before it began."""
    _speeds: list[float] = field(default_factory=list)
    _levels: list[float] = field(default_factory=list)

    def add(self, heard: Heard, speed: float) -> None:
        """Append half a second of sound, and the speed read at its end."""
        good: npt.NDArray[np.bool_] = heard.valid & np.isfinite(heard.levels_db)
        self._speeds.append(speed)
        self._levels.append(energy_mean_db(heard.levels_db[good]) if good.any() else np.nan)

    def blocks(self) -> GlideBlocks:
        """Return its blocks, each with the speed in its middle."""
        ends = _smoothed(np.log(np.maximum([self.first_speed, *self._speeds], 1e-3)))
        levels = np.array(self._levels, dtype=np.float64)
        rates = np.diff(ends) / BLOCK_S
        heard = np.isfinite(levels) & (np.array(self._speeds) > 0)
        heard &= rates > -_FASTEST_PER_S
        return GlideBlocks(np.exp(0.5 * (ends[1:] + ends[:-1]))[heard], rates[heard], levels[heard])


def _smoothed(values: Samples) -> Samples:
    """Average neighbours, fewer towards the ends so that these stay where they are."""
    reach = np.minimum(np.arange(values.size), np.arange(values.size)[::-1])
    reach = np.minimum(reach, _SMOOTHED_READINGS // 2)
    return np.array([values[i - r : i + r + 1].mean() for i, r in enumerate(reach.tolist())])


def glide_down(moves: FanMoves, goal_percent: float) -> Steps[GlideTrack]:
    """Lower the fans evenly to a duty, and listen all the way.

    Parameters
    ----------
    moves : FanMoves
        The fans, at rest at a known speed.
    goal_percent : float
        Duty to end at, inside the bench's limits.

    Returns
    -------
    GlideTrack
        What was heard; it ends early where the fans stop.
    """
    hands = moves.hands
    start, start_percent = moves.axis(hands.fan_rpm()), moves.percent
    track = GlideTrack(start)
    if start <= 0.0:
        return track
    goal = min(moves.speeds.rpm_at(goal_percent), (1.0 - _LEAST_FALL) * start)
    steps = int(np.ceil(np.log(start / goal) / (_RATE_PER_S * BLOCK_S)))
    for share in np.arange(1, steps + 1) / steps:
        fallen = (start - start * (goal / start) ** share) / (start - goal)
        moves.percent = moves.range.clip(start_percent + (goal_percent - start_percent) * fallen)
        yield from hands.set_fans(moves.percent)
        heard = yield from hands.take(BLOCK_S)
        speed = moves.axis(hands.fan_rpm())
        track.add(heard, speed)
        if speed == 0:
            moves.range.note(moves.percent, turning=False)
            break
    return track


def add_arrival(track: GlideTrack, moves: FanMoves) -> None:
    """Append what was heard while the fans came to rest at the end of a glide.

    A rotor still has up to a tenth of its speed to go there.

    Parameters
    ----------
    track : GlideTrack
        The glide.
    moves : FanMoves
        The fans, right after they settled.
    """
    for heard in moves.hands.arrival:
        told = [heard.state.actuators[name].rpm for name in moves.hands.fans]
        known = [rpm for rpm in told if rpm is not None]
        track.add(heard, moves.axis(float(np.mean(known)) if known else None))
