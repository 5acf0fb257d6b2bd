"""What the closed loop asks of the outside world, and what it is told.

The loop is a generator: it yields steps and is sent their answers. It holds no clock, no
connection and no sound, so it runs the same against a bench, a simulation or a record of an
earlier match.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples
from calibration.bench_state import BenchState

__all__ = ["Heard", "Listen", "Observation", "Remark", "SetDuty", "Step"]


@dataclass(frozen=True, slots=True)
class SetDuty:
    """Set the duties of the named actuators; answered with the bench's `BenchState`."""

    duty_percent: Mapping[str, float]
    """Duty by actuator name."""


@dataclass(frozen=True, slots=True)
class Listen:
    """Take the next stretch of sound, then read the bench; answered with `Heard`."""

    seconds: float
    """How much sound to take, a whole number of 100 ms intervals."""


@dataclass(frozen=True, slots=True)
class Remark:
    """Something worth telling the person at the bench; answered with None."""

    text: str
    """One plain sentence."""


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What was heard in one `Listen`, and the state of the bench at its end."""

    levels_db: Samples
    """LAeq of each 100 ms in dB re 20 uPa, shape ``(intervals,)``."""
    valid: npt.NDArray[np.bool_]
    """False where the capture says that an interval must not enter a level; same shape."""
    state: BenchState
    """The bench right after this sound was taken."""
    bands_db: Samples | None = None
    """One-third octave levels around each interval in dB, 25 Hz to 12.5 kHz, shape
    ``(intervals, 28)``, NaN where there are none; None where no loudness is wanted."""


Step = SetDuty | Listen | Remark
"""Everything the loop may ask for."""

Observation = BenchState | Heard | None
"""Everything the loop may be told."""
