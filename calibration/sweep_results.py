"""What a sweep is asked, and the profile of a cooler that it comes to, as plain data."""

from dataclasses import dataclass
from typing import Final, Literal

from acoustic.errors import InputError
from acoustic.signals import Samples
from calibration.fan_noise import Estimate
from calibration.learned import Learned
from calibration.results import FloorReading, LevelCurve, MatchRequest, PumpPolicy

__all__ = [
    "GlideLevels",
    "Resonance",
    "SweepOutcome",
    "SweepPoint",
    "SweepRequest",
    "SweepResult",
]

SweepOutcome = Literal["complete", "floor-too-high", "stopped"]
"""How a sweep can end: with a profile, with bounds only, or early."""

_NO_TARGET_DB: Final = 0.0
"""A sweep goes for no level; the hands at the bench never look at it."""


@dataclass(frozen=True, slots=True)
class SweepRequest:
    """What is asked of a sweep.

    Raises
    ------
    InputError
        If a pump shall be held and no duty says where.
    """

    floor: FloorReading | None = None
    """The room floor, if it was measured just before; otherwise the sweep listens for it."""
    pump: PumpPolicy = "automatic"
    """How a pump is set: held where it usually runs, held at a given duty, or led along."""
    pump_duty_percent: float | None = None
    """Duty of the pump for the policy ``fixed``."""

    def __post_init__(self) -> None:
        if (self.pump == "fixed") != (self.pump_duty_percent is not None):
            raise InputError("A pump is held at a given duty, or no duty is given; choose one.")

    def at_the_bench(self) -> MatchRequest:
        """Return the part of it that the hands at the bench need."""
        return MatchRequest(
            target_db=_NO_TARGET_DB,
            tolerance_db=0.0,
            floor=self.floor,
            pump=self.pump,
            pump_duty_percent=self.pump_duty_percent,
        )


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """One settled setting of a sweep."""

    fan_percent: float
    """Duty of the fans."""
    rpm: float | None
    """Their mean speed while it was listened to; None without a tachometer."""
    speed: float
    """The same, or the duty in its place."""
    pump_percent: float
    """Duty of the pump; 0 without one."""
    reading: Estimate
    """Level as the microphone read it, floor included."""
    level: Estimate
    """Level of the cooler alone in dB; its mean is a bound where `upper_bound` says so."""
    upper_bound: bool
    """Whether the floor is so near that the cooler is at most that loud."""
    listened_s: float
    """Sound taken here, in seconds."""
    rejected_s: float
    """How much of it was left out."""


@dataclass(frozen=True, slots=True, eq=False)
class GlideLevels:
    """What was heard while the fans slowed down between the settings, every half second."""

    speed: Samples
    """Speed that each level belongs to, the delay of the sound taken out, in rpm, or the duty in
    its place, shape ``(blocks,)``."""
    level_db: Samples
    """Level as read in dB, floor included, same shape."""
    usable: Samples
    """1 where it is the cooler, 0 where hearing it again showed that it was something else."""
    delay_s: float
    """By how much the sound came after the tachometer, as the levels themselves tell."""


@dataclass(frozen=True, slots=True)
class Resonance:
    """A range of speeds where the fans are louder than their law says."""

    centre: float
    """Speed at its top in rpm, or the duty in its place."""
    height_db: float
    """How far the fans' level rises there, in dB."""
    height_sd_db: float
    """Standard deviation of the height, in dB."""
    low: float
    """Speed below its top at which half of the height is left."""
    high: float
    """Speed above its top at which half of the height is left."""


@dataclass(frozen=True, slots=True, eq=False)
class SweepResult:
    """A cooler's profile, and how it was come by."""

    outcome: SweepOutcome
    """How the sweep ended."""
    why: str
    """The reason in one plain sentence."""
    points: tuple[SweepPoint, ...]
    """Settled settings, fastest first."""
    glide: GlideLevels
    """What was heard between them."""
    floor: Estimate
    """Level of the room, as far as it is known."""
    curve: LevelCurve | None
    """Level of the cooler alone over speed; None before anything was heard."""
    exponent_db: Estimate | None
    """Rise of the fans' level per decade of speed in dB; None where it cannot be told."""
    resonances: tuple[Resonance, ...]
    """Those that stand out for sure, slowest first."""
    stall_percent: float | None
    """Duty at which turning fans stop; None where they turn at every duty the bench takes."""
    restart_percent: float | None
    """Duty at which standing fans start; None where they never stand."""
    learned: Learned
    """What a later match of the same cooler can start from."""
    listened_s: float
    """Sound that was listened to for levels, in seconds."""
    bench_s: float
    """All the time it took by the clock of the sound, in seconds."""
    warnings: tuple[str, ...]
    """What the person at the bench should know."""

    @property
    def highest(self) -> SweepPoint | None:
        """The setting at full speed; None where it was not heard."""
        return max(self.points, key=lambda point: point.speed, default=None)

    @property
    def lowest(self) -> SweepPoint | None:
        """The setting at the lowest speed; None where nothing was heard."""
        return min(self.points, key=lambda point: point.speed, default=None)
