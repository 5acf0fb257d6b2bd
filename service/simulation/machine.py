"""What a fan or a pump is: how it turns and how it sounds, as plain data and closed forms."""

from dataclasses import dataclass
from math import exp, inf, log10

from calibration.bench_state import Role
from service.simulation.rotor import RotorLaw
from service.simulation.spectrum import NoiseShape

__all__ = ["Machine", "Resonance", "Tone"]


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone at a whole multiple of the shaft frequency."""

    order: int
    """Multiple of the shaft frequency; the number of blades for the blade-pass tone."""
    level_db: float
    """Unweighted level at full speed, in dB re 20 uPa."""


@dataclass(frozen=True, slots=True)
class Resonance:
    """A speed at which something rings, and everything is louder around it."""

    rpm: float
    """Speed at the top, in revolutions a minute."""
    height_db: float
    """How much louder it is there."""
    width_percent: float
    """Half the width at 61 % of the height, in percent of the speed."""

    def lift_db(self, rpm: float) -> float:
        """Return how much louder it is at `rpm`."""
        offset = (rpm / self.rpm - 1.0) * 100.0 / self.width_percent
        return self.height_db * exp(-(offset**2) / 2.0)


@dataclass(frozen=True, slots=True)
class Machine:
    """A pump, a fan, or several equal fans that share one duty.

    Broadband noise and tones follow the speed by the same law; A-weighted, tones rise faster,
    because they also move up the A curve.
    """

    role: Role
    """Fan or pump."""
    law: RotorLaw
    """Speed over duty."""
    level_db: float
    """A-weighted level of the broadband noise of one rotor at full speed, in dB re 20 uPa."""
    decade_db: float
    """Rise of the level when the speed rises tenfold."""
    shape: NoiseShape
    """Spectrum of the broadband noise."""
    tones: tuple[Tone, ...] = ()
    """Tones of one rotor."""
    resonances: tuple[Resonance, ...] = ()
    """Speeds at which it is louder."""
    hunting_db: float = 0.0
    """Standard deviation of the level about its mean at constant speed."""
    hunting_s: float = 2.0
    """Correlation time of that, in seconds."""
    speed_ratios: tuple[float, ...] = (1.0,)
    """Speed of each rotor re the first, whose speed the tachometer reads."""
    min_duty_percent: float = 15.0
    """Lowest duty the bench accepts."""
    max_duty_percent: float = 100.0
    """Highest duty the bench accepts."""

    def gain_db(self, rpm: float) -> float:
        """Level of one rotor at `rpm` re full speed without resonances; ``-inf`` at rest."""
        if rpm <= 0.0:
            return -inf
        lift_db = sum(resonance.lift_db(rpm) for resonance in self.resonances)
        return self.decade_db * log10(rpm / self.law.full_rpm) + lift_db
