"""Where fans stop and where they start again, found by tachometer alone.

A bench takes a rotor that stands for three seconds where it should turn for a stuck one and runs
everything at full speed, and rightly so. So standing fans are pushed at once, and a duty that
might start them gets two and a half seconds to do so.
"""

from typing import Final

from calibration.bench_hands import Steps
from calibration.fan_moves import FanMoves
from calibration.steps import Heard, Remark

__all__ = ["restart_percent", "stall_percent"]

_PUSH_PERCENT: Final = 12.0
"""This far above a duty that holds them, standing fans start for sure; else at full duty."""
_START_S: Final = 2.5
"""How long a duty may take to start them."""
_STEP_S: Final = 0.5
"""How often the tachometer is read meanwhile."""
_COASTING_S: Final = 25.0
"""Fans that still turn so long after they were let go do not stop there."""
_RESOLUTION_PERCENT: Final = 1.5
"""How closely the duty that starts them is searched."""
_RESERVE_K: Final = 8.0
"""Closer to a limit of temperature no fan is stopped on purpose."""


def stall_percent(moves: FanMoves) -> float | None:
    """Duty at which turning fans stop.

    Parameters
    ----------
    moves : FanMoves
        The fans.

    Returns
    -------
    float or None
        Halfway between the lowest duty that keeps them turning and the highest that does not; None
        where they were never seen standing.
    """
    standing, running = moves.range.standing_percent, moves.range.running_percent
    if standing is None or running is None:
        return None
    return 0.5 * (standing + running)


def restart_percent(moves: FanMoves) -> Steps[float | None]:
    """Find the duty at which standing fans start.

    Parameters
    ----------
    moves : FanMoves
        The fans; they turn before and after.

    Returns
    -------
    float or None
        The duty; None where they never stand, or where it is too hot to stop them.
    """
    standing, running = moves.range.standing_percent, moves.range.running_percent
    if standing is None or running is None:
        return None
    push = moves.range.clip(running + _PUSH_PERCENT)
    stays, starts = standing, push
    yield Remark(f"looking for the duty that starts standing fans, from {running:g} % duty on")
    while starts - stays > _RESOLUTION_PERCENT:
        stopped = yield from _let_stop(moves, standing)
        if not stopped:
            yield from moves.go(push, 0.05)
            return None
        tried = moves.range.clip(0.5 * (stays + starts))
        turning = yield from _turn_within(moves, tried, _START_S)
        stays, starts = (stays, tried) if turning else (tried, starts)
        yield from _start(moves, push)
    return 0.5 * (stays + starts)


def _start(moves: FanMoves, push: float) -> Steps[None]:
    """Make fans turn, whatever it takes."""
    turning = yield from _turn_within(moves, push, _START_S)
    if not turning:
        yield from moves.go(moves.range.highest_percent, 0.05)


def _turn_within(moves: FanMoves, percent: float, seconds: float) -> Steps[bool]:
    """Set a duty and tell whether the fans turn before long."""
    moves.percent = percent
    yield from moves.hands.set_fans(percent)
    for _ in range(round(seconds / _STEP_S)):
        yield from moves.hands.take(_STEP_S)
        if moves.hands.fan_rpm():
            return True
    return False


def _let_stop(moves: FanMoves, standing: float) -> Steps[bool]:
    """Let the fans run down; tell whether they stand, or may not be stopped for the heat."""
    heard = yield from moves.hands.take(_STEP_S)
    if not _cool(moves, heard):
        yield Remark("too hot to stop the fans on purpose")
        return False
    moves.percent = standing
    yield from moves.hands.set_fans(standing)
    for _ in range(round(_COASTING_S / _STEP_S)):
        heard = yield from moves.hands.take(_STEP_S)
        if not moves.hands.fan_rpm():
            return True
        if not _cool(moves, heard):
            return False
    return False


def _cool(moves: FanMoves, heard: Heard) -> bool:
    """Tell whether all temperatures are far from their limits."""
    limits = moves.hands.bench.temperature_limits_c
    return all(
        celsius < limits.get(name, float("inf")) - _RESERVE_K
        for name, celsius in heard.state.temperatures_c.items()
    )
