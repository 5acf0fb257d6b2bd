"""What a match aims at, as a level: given in decibels, or found from a loudness on the way.

Coolers of equal level differ in loudness by the colour of their sound. The colour changes slowly
with speed, so the level at which a cooler has a loudness is found from its sound near there, and
the loop goes for that level. What the colour leaves open is part of the goal's uncertainty.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.background import without_background
from acoustic.decibels import energy_mean_db
from acoustic.errors import InputError
from acoustic.loudness import (
    SoundField,
    gain_to_loudness_db,
    loudness_level_phon,
    stationary_loudness,
)
from acoustic.signals import Samples
from calibration.fan_noise import Estimate

__all__ = ["CoolerLoudness", "Goal", "LoudnessTarget", "SoundColour", "colour_of"]

_USUAL_PHON_ABOVE_DB: Final = Estimate(9.0, 3.0)
"""Loudness level of the noise of coolers above its A-weighted level, before one is heard."""
_LEAST_MARGIN_DB: Final = 3.0
"""A band closer to the floor gives only an upper bound of the cooler's part (ISO 3744)."""


@dataclass(frozen=True, slots=True)
class LoudnessTarget:
    """A loudness to reach.

    Raises
    ------
    InputError
        If the loudness is not above zero.
    """

    N_sone: float
    """Loudness in sone (ISO 532-1, stationary)."""
    field: SoundField = "free"
    """Sound field assumed."""

    def __post_init__(self) -> None:
        if not 0.0 < self.N_sone < np.inf:
            raise InputError(
                f"A loudness of {self.N_sone:g} sone cannot be reached; give one above 0."
            )


@dataclass(frozen=True, slots=True)
class CoolerLoudness:
    """Loudness of a cooler alone."""

    N_sone: float
    """Loudness in sone."""
    LN_phon: float
    """Loudness level in phon."""
    U95_sone: float
    """Half-width of the 95 % interval of `N_sone`, calibration apart."""
    field: SoundField
    """Sound field assumed."""


@dataclass(frozen=True, slots=True, eq=False)
class SoundColour:
    """One-third octave levels of a cooler alone, 25 Hz to 12.5 kHz, and the level they make."""

    level_db: float
    """Its LAeq in dB."""
    highest_db: Samples
    """Bands at the most that they can be, in dB, shape ``(28,)``."""
    lowest_db: Samples
    """Without those that the floor hides, same shape."""

    def loudness(self, level: Estimate, field: SoundField) -> CoolerLoudness:
        """Loudness of this colour at a level.

        Parameters
        ----------
        level : Estimate
            LAeq of the cooler alone.
        field : {"free", "diffuse"}
            Sound field assumed.

        Returns
        -------
        CoolerLoudness
            Loudness with its interval.
        """

        def at(bands_db: Samples, level_db: float) -> float:
            return stationary_loudness(bands_db + (level_db - self.level_db), field).N_sone

        middle = 0.5 * (at(self.highest_db, level.mean_db) + at(self.lowest_db, level.mean_db))
        reach_db = 1.96 * level.sd_db
        U95_sone = 0.5 * (
            at(self.highest_db, level.mean_db + reach_db)
            - at(self.lowest_db, level.mean_db - reach_db)
        )
        return CoolerLoudness(middle, loudness_level_phon(middle), U95_sone, field)


def colour_of(
    levels_db: Samples,
    bands_db: Samples,
    usable: npt.NDArray[np.bool_],
    floor_bands_db: Samples | None,
    floor_db: float,
) -> SoundColour | None:
    """Find the colour of the cooler alone in what was heard.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        LAeq of each 100 ms in dB.
    bands_db : ndarray of float64, shape (intervals, 28)
        One-third octave levels around each, NaN where there are none.
    usable : ndarray of bool, shape (intervals,)
        Which of them count.
    floor_bands_db : ndarray of float64, shape (28,), or None
        The room alone; None where it is part of what counts.
    floor_db : float
        LAeq of the room in dB.

    Returns
    -------
    SoundColour or None
        None where nothing of it can be used.
    """
    good = usable & ~np.isnan(bands_db).any(axis=1)
    if not good.any():
        return None
    read_db = energy_mean_db(levels_db[good])
    with np.errstate(divide="ignore"):
        read_bands_db = 10.0 * np.log10(np.mean(10.0 ** (bands_db[good] / 10.0), axis=0))
    if floor_bands_db is None:
        return SoundColour(read_db, read_bands_db, read_bands_db)
    own = without_background(read_db, floor_db, least_difference_db=_LEAST_MARGIN_DB)
    bands = without_background(read_bands_db, floor_bands_db, least_difference_db=_LEAST_MARGIN_DB)
    hidden = np.where(bands.upper_bound, -np.inf, bands.level_db)
    return SoundColour(float(own.level_db), bands.level_db, hidden)


class Goal:
    """The level that a match aims at.

    Parameters
    ----------
    target_db : float or None
        LAeq in dB; None where a loudness is given.
    loudness : LoudnessTarget or None
        The loudness to reach instead.
    """

    def __init__(self, target_db: float | None, loudness: LoudnessTarget | None) -> None:
        self.loudness = loudness
        """The loudness to reach, if it is one."""
        if loudness is None:
            self.level = Estimate(float(target_db or 0.0), 0.0)
            """LAeq to reach, with what the colour leaves open."""
        else:
            phon = loudness_level_phon(loudness.N_sone)
            self.level = Estimate(phon - _USUAL_PHON_ABOVE_DB.mean_db, _USUAL_PHON_ABOVE_DB.sd_db)

    def words(self, tolerance_db: float) -> str:
        """The target and its tolerance in words."""
        if self.loudness is None:
            return f"{self.level.mean_db:g} +-{tolerance_db:g} dB(A)"
        return f"{tolerance_db:g} dB of {self.loudness.N_sone:g} sone"

    def missed_by(self, level: Estimate) -> Estimate:
        """A level less the goal, with the uncertainty of both."""
        return Estimate(
            level.mean_db - self.level.mean_db, float(np.hypot(level.sd_db, self.level.sd_db))
        )

    def hear(self, whole: SoundColour, parts: Sequence[SoundColour]) -> None:
        """Find the level anew from the colour of a setting.

        Parameters
        ----------
        whole : SoundColour
            Colour of all that counts.
        parts : sequence of SoundColour
            Colours of parts of it, whose scatter tells that of the whole.
        """
        wanted = self.loudness
        # Where the floor hides everything, what was known stays.
        if wanted is None or np.isneginf(whole.lowest_db).all():
            return

        def level_db(colour: SoundColour, bands_db: Samples) -> float:
            return colour.level_db + gain_to_loudness_db(bands_db, wanted.field, wanted.N_sone)

        quietest = level_db(whole, whole.highest_db)
        loudest = level_db(whole, whole.lowest_db)
        scatter = [level_db(part, part.highest_db) for part in parts]
        by_chance = float(np.std(scatter, ddof=1) / np.sqrt(len(scatter))) if parts[1:] else 0.0
        # Hidden bands may hold anything between nothing and their bound.
        by_floor = (loudest - quietest) / float(np.sqrt(12.0))
        self.level = Estimate(0.5 * (quietest + loudest), float(np.hypot(by_chance, by_floor)))
