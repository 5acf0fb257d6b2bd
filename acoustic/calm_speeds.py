"""Speeds at which no tone is prominent, and how loud the machine is there."""

from collections.abc import Sequence
from dataclasses import dataclass

from acoustic.over_speed import OverSpeed
from acoustic.tones import DiscreteTone, discrete_tones

__all__ = ["SpeedHeard", "nearest_calm", "speeds_heard"]


@dataclass(frozen=True, slots=True)
class SpeedHeard:
    """What was heard at one speed."""

    rpm: float
    """The speed, in the middle of a narrow range."""
    LAeq_db: float
    """A-weighted level there, as heard."""
    prominent: tuple[DiscreteTone, ...]
    """Tones that are prominent there, low to high."""
    listened_s: float
    """How much sound that rests on, in seconds."""


def speeds_heard(heard: OverSpeed, *, calibrated: bool, hop_s: float) -> tuple[SpeedHeard, ...]:
    """Assess the tones at every speed.

    Parameters
    ----------
    heard : OverSpeed
        Spectra over speed.
    calibrated : bool
        Whether levels are sound pressure levels.
    hop_s : float
        Time that each segment stands for, in seconds.

    Returns
    -------
    tuple of SpeedHeard
        The speeds, rising.
    """
    levels = heard.LAeq_db
    return tuple(
        SpeedHeard(
            float(rpm),
            float(levels[place]),
            tuple(
                tone
                for tone in discrete_tones(heard.turned(place), calibrated=calibrated)
                if tone.prominent
            ),
            float(heard.counts[place] * hop_s),
        )
        for place, rpm in enumerate(heard.rpm)
    )


def nearest_calm(
    speeds: Sequence[SpeedHeard], rpm: float
) -> tuple[SpeedHeard | None, SpeedHeard | None]:
    """Find the nearest speeds without a prominent tone.

    Parameters
    ----------
    speeds : sequence of SpeedHeard
        Speeds, rising.
    rpm : float
        The speed that is wanted.

    Returns
    -------
    below, above : SpeedHeard or None
        The nearest at or below, and at or above; None where there is none.
    """
    calm = [each for each in speeds if not each.prominent]
    below = [each for each in calm if each.rpm <= rpm]
    above = [each for each in calm if each.rpm >= rpm]
    return (below[-1] if below else None), (above[0] if above else None)
