"""Rises at one common power, as if every run had drawn the same.

A hotter chip leaks more: the same work draws a few percent more for every ten kelvins. So power is
compared as it would be at one temperature, and a rise is brought to a common power with the heat
that the chip would then leak.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.errors import InputError

__all__ = ["CommonPower", "Leakage", "PoweredRun", "at_common_power", "fit_leakage"]

_LEAST_APART_K: Final = 4.0
_LARGEST_PER_K: Final = 0.015
"""No chip leaks that much more; two runs that say so did not do the same work."""
_FEWEST_RUNS: Final = 3


@dataclass(frozen=True, slots=True)
class PoweredRun:
    """What is known of the power of a run."""

    power_w: float
    """Mean power in W."""
    processor_c: float
    """Mean temperature of the processor in degrees Celsius."""
    ambient_c: float
    """Mean temperature of the air in degrees Celsius."""
    resistance_k_per_w: float
    """Rise over power in K/W."""
    U95_k_per_w: float
    """Half-width of its 95 % interval."""


@dataclass(frozen=True, slots=True)
class Leakage:
    """How the power of one and the same work rises with temperature."""

    per_k: float
    """Share per kelvin; 0 where it is not known."""
    reference_c: float
    """Temperature that powers are referred to, in degrees Celsius."""
    fitted: bool
    """Whether the runs told it."""

    def referred_w(self, run: PoweredRun) -> float:
        """Return the power that the run's work would draw at the reference temperature."""
        return run.power_w / (1.0 + self.per_k * (run.processor_c - self.reference_c))


@dataclass(frozen=True, slots=True)
class CommonPower:
    """A rise at the common power."""

    rise_k: float
    """Rise in K."""
    U95_k: float
    """Half-width of its 95 % interval."""
    power_w: float
    """What the run would draw then, in W."""


def fit_leakage(runs: Sequence[PoweredRun]) -> Leakage:
    """Tell from several runs of one load how its power rises with temperature.

    Parameters
    ----------
    runs : sequence of PoweredRun
        Runs of one load, at least one.

    Returns
    -------
    Leakage
        Median of what the pairs of runs say, so that one run at another power does not matter;
        none where fewer than three runs are far enough apart.

    Raises
    ------
    InputError
        If there is no run.
    """
    if not runs:
        raise InputError("Leakage is told from runs; give at least one.")
    reference_c = float(np.median([run.processor_c for run in runs]))
    slopes, members = [], set()
    for place, run in enumerate(runs):
        for other_place, other in enumerate(runs[:place]):
            apart_k = run.processor_c - other.processor_c
            if abs(apart_k) >= _LEAST_APART_K:
                slope = float(np.log(run.power_w / other.power_w)) / apart_k
                if abs(slope) <= _LARGEST_PER_K:
                    slopes.append(slope)
                    members |= {place, other_place}
    if len(members) < _FEWEST_RUNS:
        return Leakage(0.0, reference_c, fitted=False)
    return Leakage(max(float(np.median(slopes)), 0.0), reference_c, fitted=True)


def at_common_power(
    run: PoweredRun, leakage: Leakage, *, power_w: float, ambient_c: float
) -> CommonPower:
    """Bring the rise of a run to a common power.

    Parameters
    ----------
    run : PoweredRun
        The run.
    leakage : Leakage
        How the power of its work rises with temperature.
    power_w : float
        Power that the work is to draw at the reference temperature, in W.
    ambient_c : float
        Temperature of the air that it is brought to, in degrees Celsius.

    Returns
    -------
    CommonPower
        Its rise there.

    Raises
    ------
    InputError
        If the chip would run away at that power.

    Notes
    -----
    Solves ``rise = R P (1 + a (ambient + rise - reference))`` with the run's own R.
    """
    unit_w = power_w * (1.0 + leakage.per_k * (ambient_c - leakage.reference_c))
    room = 1.0 - run.resistance_k_per_w * power_w * leakage.per_k
    if power_w <= 0.0 or room <= 0.0:
        raise InputError(f"No run can be brought to {power_w} W; name a power that it can draw.")
    rise_k = run.resistance_k_per_w * unit_w / room
    return CommonPower(
        rise_k=rise_k,
        U95_k=run.U95_k_per_w * unit_w / room**2,
        power_w=rise_k / run.resistance_k_per_w,
    )
