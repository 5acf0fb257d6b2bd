"""Outcomes of a match as plain data; a refusal is an outcome with a reason, not an error."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from acoustic.beats import Beat
from acoustic.errors import InputError
from acoustic.signals import Samples
from calibration.fan_noise import Estimate, NoisePosterior
from calibration.goal import CoolerLoudness, LoudnessTarget, SoundColour
from calibration.learned import Learned

__all__ = [
    "FLOOR_WANDER_DB",
    "AppliesTo",
    "FloorReading",
    "HeardSetting",
    "LevelCurve",
    "MatchOutcome",
    "MatchRequest",
    "MatchResult",
    "MatchedActuator",
    "PumpPolicy",
]

AppliesTo = Literal["cooler", "reading"]
"""What the target is for: the cooler's own level, or the level as the microphone reads it."""

MatchOutcome = Literal[
    "matched",
    "quieter-at-full-speed",
    "louder-at-minimum",
    "floor-too-high",
    "unsteady",
    "stopped",
]
"""How a match can end."""

PumpPolicy = Literal["automatic", "fixed", "follows"]
"""How a pump is set: found as needed, held at a given duty, or led along with the fans."""


FLOOR_WANDER_DB: Final = 0.3
"""Standard deviation of a room's floor between its measurement and the end of a match."""


@dataclass(frozen=True, slots=True)
class FloorReading:
    """The room with everything stopped."""

    level_db: float
    """LAeq in dB re 20 uPa."""
    U95_db: float
    """Half-width of its 95 % interval, in dB."""
    bands_db: tuple[float, ...] | None = None
    """Its one-third octaves from 25 Hz to 12.5 kHz in dB, where they are known."""

    @property
    def estimate(self) -> Estimate:
        """The floor during a match, which may have wandered since."""
        return Estimate(self.level_db, float(np.hypot(self.U95_db / 1.96, FLOOR_WANDER_DB)))


@dataclass(frozen=True, slots=True)
class MatchRequest:
    """What is asked of a match.

    Raises
    ------
    InputError
        If not just one of level and loudness is given.
    """

    target_db: float | None
    """Level to reach, LAeq in dB re 20 uPa; None where a loudness is given."""
    tolerance_db: float
    """How far from the target counts as matched, in dB."""
    applies_to: AppliesTo = "cooler"
    """What the target is for."""
    floor: FloorReading | None = None
    """The room floor, if it was measured just before; otherwise the loop listens for it."""
    pump: PumpPolicy = "automatic"
    """How a pump is set."""
    pump_duty_percent: float | None = None
    """Duty of the pump for the policy ``fixed``."""
    loudness: LoudnessTarget | None = None
    """Loudness to reach instead of a level."""
    detune_percent: float = 0.0
    """How far the duties of several fans are set apart, the first one highest, with their mean as
    it would be: two that turn nearly alike beat slowly, and apart they do so too quickly to be
    heard as one sound that swells."""

    def __post_init__(self) -> None:
        if (self.target_db is None) == (self.loudness is None):
            raise InputError("A match needs one target: a level in dB(A) or a loudness in sone.")


@dataclass(frozen=True, slots=True)
class MatchedActuator:
    """One speed of a result."""

    duty_percent: float
    """Duty that was set."""
    rpm: float | None
    """Mean speed while it was listened to; None without a tachometer."""


@dataclass(frozen=True, slots=True)
class HeardSetting:
    """One setting that was listened to."""

    actuators: Mapping[str, MatchedActuator]
    """Duties and speeds."""
    reading: Estimate
    """Level as read, floor included."""
    level: Estimate
    """Level of what the target applies to, as it was believed when this setting was left."""
    listened_s: float
    """Sound taken at this setting, in seconds."""
    rejected_s: float
    """How much of it was left out as an intrusion or a fault of the capture."""
    left_out_s: tuple[tuple[float, float], ...]
    """Start and end of each part that was left out, in seconds from the start of listening."""
    beat: Beat | None = None
    """Beat of the level, as of two fans nearly alike; None where there is none for sure."""
    colour: SoundColour | None = None
    """Colour of its sound, where a loudness was asked for."""
    as_found: bool = False
    """Whether the bench ran so by itself: heard without being visited."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelCurve:
    """What the loop believes of the cooler's level over speed."""

    rpm: Samples
    """Fan speeds, or duties in per cent where no tachometer tells, shape ``(points,)``."""
    cooler_db: Samples
    """Expected level of the cooler alone in dB, same shape."""
    sd_db: Samples
    """Its standard deviation in dB, same shape."""


@dataclass(frozen=True, slots=True, eq=False)
class MatchResult:
    """How a match ended, and on what evidence."""

    outcome: MatchOutcome
    """How it ended."""
    why: str
    """The reason in one plain sentence."""
    actuators: Mapping[str, MatchedActuator] | None
    """The settings that are given; None when nothing was found to give."""
    target_db: float
    """Level that was aimed at; for a loudness the level at which this cooler has it."""
    level: Estimate | None
    """Level of what the target applies to at those settings."""
    loudness: CoolerLoudness | None
    """Loudness there, where one was asked for."""
    as_read: Estimate | None
    """Level there as the microphone reads it."""
    floor: Estimate
    """Level of the room."""
    visited: tuple[HeardSetting, ...]
    """Every setting that was listened to, in order; the last one is given."""
    curve: LevelCurve | None
    """Level over speed at the last pump setting."""
    posterior: NoisePosterior | None
    """Everything that is believed of the cooler; None before a setting was heard."""
    learned: Learned
    """What a later run on the same cooler can start from."""
    listened_s: float
    """Sound that was listened to for levels, in seconds."""
    bench_s: float
    """All the time the match took by the clock of the sound, in seconds."""
    warnings: tuple[str, ...]
    """What the person at the bench should know."""

    @property
    def settings_visited(self) -> int:
        """How many settings were set and listened to."""
        return sum(not setting.as_found for setting in self.visited)

    @property
    def margin_db(self) -> float | None:
        """How far the cooler's level stands over the floor, in dB."""
        return None if self.level is None else self.level.mean_db - self.floor.mean_db
