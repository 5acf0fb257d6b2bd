"""What is known of a cooler from earlier: from another target, a broken run, or a profile."""

from dataclasses import dataclass
from typing import Final

from calibration.fan_noise import Estimate
from calibration.listening import ListeningKnowledge

__all__ = ["NOTHING_LEARNED", "OTHER_DAY_SD_DB", "Learned", "LearnedSetting"]

OTHER_DAY_SD_DB: Final = 0.3
"""How far all levels of a cooler move together from one day to another: it is mounted again, and
the microphone and the room are not quite the same."""


@dataclass(frozen=True, slots=True)
class LearnedSetting:
    """A setting of a cooler that was heard earlier."""

    fan_percent: float
    """Duty of the fans."""
    speed: float
    """Their mean speed in rpm, or the duty in its place where no tachometer tells; above 0."""
    pump_percent: float
    """Duty of the pump; 0 without one."""
    level: Estimate
    """Level of the cooler alone in dB."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What earlier runs say about one cooler on one bench."""

    settings: tuple[LearnedSetting, ...] = ()
    """Settings in the order they were heard."""
    offset_sd_db: float = 0.0
    """How far all these levels may be off together now, as a standard deviation in dB: 0 within
    one run, `OTHER_DAY_SD_DB` later."""
    running_percent: float | None = None
    """Lowest duty at which the fans were seen turning."""
    standing_percent: float | None = None
    """Highest duty at which they were seen standing."""
    time_constants_s: tuple[float, ...] = ()
    """Time constants of the rotor that moves have shown."""
    listening: ListeningKnowledge | None = None
    """How its level hunts; kept within one run only."""


NOTHING_LEARNED: Final = Learned()
"""A cooler never heard before."""
