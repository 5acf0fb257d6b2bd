"""What makes a run stop, as plain rules.

The bench guards its own hardware whatever a client does. These rules stop a run a little earlier
and say why, so that the person at the bench reads a reason and not just "the bench took over".
"""

from collections.abc import Collection, Mapping
from typing import Final

from calibration.bench_state import BenchDescription, BenchState

__all__ = ["OBEYED_AFTER_S", "duty_not_kept", "reason_to_stop"]

_TEMPERATURE_RESERVE_K: Final = 2.0
"""Stop this far below a limit, before the bench's own guard has to act."""

OBEYED_AFTER_S: Final = 4.0
"""A bench that ramps, or tells its state late, has a duty by then."""
_SAME_DUTY_PERCENT: Final = 5.0
"""How far a duty may read from what was asked; some hardware takes 16 steps only."""


def reason_to_stop(
    bench: BenchDescription, state: BenchState, *, pumps_seen_turning: Collection[str]
) -> str | None:
    """Say why a run must stop now.

    Parameters
    ----------
    bench : BenchDescription
        What the bench is.
    state : BenchState
        What it does now.
    pumps_seen_turning : collection of str
        Names of the pumps whose tachometers have shown a speed before in this run.

    Returns
    -------
    str or None
        One plain sentence, or None while all is well.
    """
    if state.control == "safe":
        return f"The bench took over to protect the hardware: {state.why or 'no reason given'}."
    if state.control == "own":
        return "The bench went back to its own control in the middle of the run."
    for name, temperature_c in state.temperatures_c.items():
        limit_c = bench.temperature_limits_c.get(name)
        if limit_c is not None and temperature_c >= limit_c - _TEMPERATURE_RESERVE_K:
            return (
                f"The {name} reads {temperature_c:.1f} C, close to its limit of {limit_c:.0f} C; "
                "lower the load."
            )
    for name, actuator in bench.actuators.items():
        reported = state.actuators.get(name)
        stands = reported is not None and reported.rpm == 0
        if stands and actuator.role == "pump" and name in pumps_seen_turning:
            return f"The tachometer of {name} reads 0: the pump has stopped; check it at once."
    return None


def duty_not_kept(asked_percent: Mapping[str, float], state: BenchState) -> str | None:
    """Say why a run must stop because a duty is not what was asked for long enough ago.

    The level that is heard then belongs to no setting that could be given, and a bench that does
    not turn up when asked to looks as if the cooler were quiet.

    Parameters
    ----------
    asked_percent : mapping of str to float
        What was asked, in percent by actuator, at least `OBEYED_AFTER_S` ago.
    state : BenchState
        What the bench says now, with every one of these actuators.

    Returns
    -------
    str or None
        One plain sentence, or None while all is well.
    """
    for name, asked in asked_percent.items():
        reads = state.actuators[name].duty_percent
        if abs(reads - asked) > _SAME_DUTY_PERCENT:
            return (
                f"The bench runs {name} at {reads:.0f} % duty although {asked:.0f} % was set; "
                "find out what else controls it."
            )
    return None
