"""Loudness of stationary sound from its one-third octave levels.

The method of Zwicker in the form of ISO 532-1: one-third octaves become levels in 20 critical
bands, these become core loudnesses, and slopes towards higher critical-band rates account for
masking. The tables are the standard's own.
"""

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from acoustic.errors import InputError
from acoustic.loudness_bands import LOUDNESS_BANDS
from acoustic.signals import Samples

__all__ = [
    "BARK_STEP",
    "Loudness",
    "SoundField",
    "gain_to_loudness_db",
    "loudness_level_phon",
    "stationary_loudness",
]

SoundField = Literal["free", "diffuse"]
"""Sound that comes from the front, or from everywhere."""

BARK_STEP = 0.1
"""Distance between values of the specific loudness, in Bark."""

_RANGE_UPPER_DB = np.array([45.0, 55.0, 65.0, 71.0, 80.0, 90.0, 100.0, 120.0])
"""Upper limits of the ranges in which low bands are reduced differently."""

_LOW_REDUCTION_DB = np.array(
    [
        [-32, -24, -16, -10, -5, 0, -7, -3, 0, -2, 0],
        [-29, -22, -15, -10, -4, 0, -7, -2, 0, -2, 0],
        [-27, -19, -14, -9, -4, 0, -6, -2, 0, -2, 0],
        [-25, -17, -12, -9, -3, 0, -5, -2, 0, -2, 0],
        [-23, -16, -11, -7, -3, 0, -4, -1, 0, -1, 0],
        [-20, -14, -10, -6, -3, 0, -4, -1, 0, -1, 0],
        [-18, -12, -9, -6, -2, 0, -3, -1, 0, -1, 0],
        [-15, -10, -8, -4, -2, 0, -3, -1, 0, -1, 0],
    ],
    dtype=np.float64,
)
"""Change of the bands 25 Hz to 250 Hz in each range, after equal-loudness contours."""

_THRESHOLD_DB = np.array([30, 18, 12, 8, 7, 6, 5, 4, *[3] * 12], dtype=np.float64)
"""Level of each critical band at the threshold in quiet, without the ear's transmission."""

_EAR_TRANSMISSION_DB = np.array(
    [*[0.0] * 10, -0.5, -1.6, -3.2, -5.4, -5.6, -4, -1.5, 2, 5, 12], dtype=np.float64
)
"""Attenuation on the way to the inner ear."""

_DIFFUSE_DB = np.array(
    [0, 0, 0.5, 0.9, 1.2, 1.6, 2.3, 2.8, 3, 2, 0, -1.4, -2, -1.9, -1, 0.5, 3, 4, 4.3, 4]
)
"""Level in a diffuse field above that in a free field that sounds as loud."""

_BAND_ADAPTATION_DB = np.array(
    [-0.25, -0.6, -0.8, -0.8, -0.5, 0, 0.5, 1.1, 1.5, 1.7,
     1.8, 1.8, 1.7, 1.6, 1.4, 1.2, 0.8, 0.5, 0, -0.5]
)  # fmt: skip
"""Level of a one-third octave above that of its critical band."""

_UPPER_BARK = (
    0.9, 1.8, 2.8, 3.5, 4.4, 5.4, 6.6, 7.9, 9.2, 10.6, 12.3,
    13.8, 15.2, 16.7, 18.1, 19.3, 20.6, 21.8, 22.7, 23.6, 24.0,
)  # fmt: skip
"""Upper limits of the critical bands, and of what lies above them."""

_SLOPE_RANGES = (
    21.5, 18.0, 15.1, 11.5, 9.0, 6.1, 4.4, 3.1, 2.13,
    1.36, 0.82, 0.42, 0.30, 0.22, 0.15, 0.10, 0.035, 0.0,
)  # fmt: skip
"""Lower limits of specific loudness for each row of slopes."""

_SLOPES = (
    (13, 8.2, 6.3, 5.5, 5.5, 5.5, 5.5, 5.5),
    (9, 7.5, 6, 5.1, 4.5, 4.5, 4.5, 4.5),
    (7.8, 6.7, 5.6, 4.9, 4.4, 3.9, 3.9, 3.9),
    (6.2, 5.4, 4.6, 4.0, 3.5, 3.2, 3.2, 3.2),
    (4.5, 3.8, 3.6, 3.2, 2.9, 2.7, 2.7, 2.7),
    (3.7, 3.0, 2.8, 2.35, 2.2, 2.2, 2.2, 2.2),
    (2.9, 2.3, 2.1, 1.9, 1.8, 1.7, 1.7, 1.7),
    (2.4, 1.7, 1.5, 1.35, 1.3, 1.3, 1.3, 1.3),
    (1.95, 1.45, 1.3, 1.15, 1.1, 1.1, 1.1, 1.1),
    (1.5, 1.2, 0.94, 0.86, 0.82, 0.82, 0.82, 0.82),
    (0.72, 0.67, 0.64, 0.63, 0.62, 0.62, 0.62, 0.62),
    (0.59, 0.53, 0.51, 0.50, 0.42, 0.42, 0.42, 0.42),
    (0.40, 0.33, 0.26, 0.24, 0.24, 0.22, 0.22, 0.22),
    (0.27, 0.21, 0.20, 0.18, 0.17, 0.17, 0.17, 0.17),
    (0.16, 0.15, 0.14, 0.12, 0.11, 0.11, 0.11, 0.11),
    (0.12, 0.11, 0.10, 0.08, 0.08, 0.08, 0.08, 0.08),
    (0.09, 0.08, 0.07, 0.06, 0.06, 0.06, 0.06, 0.05),
    (0.06, 0.05, 0.03, 0.02, 0.02, 0.02, 0.02, 0.02),
)
"""Steepness of the slopes in sone per Bark squared, by range and critical band."""


@dataclass(frozen=True, slots=True, eq=False)
class Loudness:
    """Loudness of a stationary sound."""

    field: SoundField
    """Sound field assumed."""
    N_sone: float
    """Total loudness in sone."""
    LN_phon: float
    """Loudness level in phon."""
    specific_sone_per_bark: Samples
    """Specific loudness in sone per Bark at 0.1, 0.2, … 24.0 Bark; shape ``(240,)``."""


def stationary_loudness(band_level_db: npt.ArrayLike, field: SoundField) -> Loudness:
    """Loudness of a stationary sound.

    Parameters
    ----------
    band_level_db : array_like of shape (28,)
        Unweighted one-third octave levels in dB re 20 uPa, 25 Hz to 12.5 kHz, as
        `loudness_band_level_db` gives them; ``-inf`` for silence.
    field : {"free", "diffuse"}
        Sound field. Report it with the loudness.

    Returns
    -------
    Loudness
        Total and specific loudness.

    Raises
    ------
    InputError
        If the levels are not 28, one is above what the method is valid for, or the field is
        unknown.

    Notes
    -----
    ISO 532-1, method for stationary sounds. Annex B's levels of test signal 1 give its 83.296 sone
    within 0.001 sone; its 1 kHz tone of 60 dB, through `loudness_band_level_db`, its 4.019 sone
    within 2 % (the tests). The method is not defined above 120 dB in bands up to 250 Hz.
    """
    if field not in get_args(SoundField):
        raise InputError(f"The sound field is free or diffuse, not {field}.")
    level_db = np.asarray(band_level_db, dtype=np.float64)
    if level_db.shape != (len(LOUDNESS_BANDS),) or np.isnan(level_db).any():
        raise InputError(
            "Loudness needs the levels of the 28 one-third octaves from 25 Hz to 12.5 kHz, not "
            f"an array of shape {level_db.shape}, and none of them may be missing."
        )
    if not (level_db[:11] <= 120.0).all():
        raise InputError(
            "Loudness is not defined for a one-third octave above 120 dB below 300 Hz; "
            "check the calibration."
        )
    total, specific = _with_slopes(_core_loudness(level_db, field))
    return Loudness(field, total, loudness_level_phon(total), specific)


def loudness_level_phon(loudness_sone: float) -> float:
    """Loudness level of a loudness.

    Parameters
    ----------
    loudness_sone : float
        Total loudness in sone.

    Returns
    -------
    float
        Loudness level in phon, at least 3.

    Examples
    --------
    >>> loudness_level_phon(4.0)
    60.0
    """
    if loudness_sone >= 1.0:
        return float(40.0 + 10.0 * np.log2(loudness_sone))
    return float(max(3.0, 40.0 * (loudness_sone + 0.0005) ** 0.35))


def gain_to_loudness_db(
    band_level_db: npt.ArrayLike, field: SoundField, loudness_sone: float
) -> float:
    """How much louder or softer a sound has to be played to reach a loudness.

    Parameters
    ----------
    band_level_db : array_like of shape (28,)
        As for `stationary_loudness`.
    field : {"free", "diffuse"}
        Sound field.
    loudness_sone : float
        Loudness to reach in sone, above zero.

    Returns
    -------
    float
        Gain in dB by which all bands rise, within 0.001 dB; negative where they fall. The
        method's tables have steps for low bands: on one of these it is where the loudness is
        passed.

    Raises
    ------
    InputError
        If the levels cannot be judged, are silence, or cannot reach this loudness within what the
        method is defined for.

    Examples
    --------
    Ten phon more double the loudness of a tone of 1 kHz.

    >>> tone = np.full(28, -np.inf)
    >>> tone[16] = 60.0
    >>> loudness = stationary_loudness(tone, "free").N_sone
    >>> round(gain_to_loudness_db(tone, "free", 2.0 * loudness), 1)
    10.1
    """
    level_db = np.asarray(band_level_db, dtype=np.float64)

    def excess(gain_db: float) -> float:
        return stationary_loudness(level_db + gain_db, field).N_sone - loudness_sone

    missing = excess(0.0)
    loudest_db = float(np.max(level_db, initial=-np.inf))
    if not (0.0 < loudness_sone < np.inf) or loudest_db == -np.inf:
        raise InputError(
            f"A sound with bands of up to {loudest_db:g} dB cannot be brought to "
            f"{loudness_sone:g} sone; give a sound that is not silent and a loudness above 0."
        )
    # 120 dB is the most that the method takes; at -30 dB nothing is audible.
    end_db = 120.0 - loudest_db if missing < 0.0 else -30.0 - loudest_db
    if missing < 0.0 and not excess(end_db) >= 0.0:
        raise InputError(
            f"This sound cannot be as loud as {loudness_sone:g} sone; the most that loudness is "
            "defined for is 120 dB in a band."
        )
    if missing == 0.0:
        return 0.0
    return float(brentq(excess, 0.0, end_db, xtol=1e-3))


def _core_loudness(level_db: Samples, field: SoundField) -> Samples:
    """Core loudness of the 20 critical bands, and the zero above them."""
    low_db = level_db[:11]
    # The first range whose limit, less its own reduction, is not exceeded; the last for the rest.
    exceeded = low_db > _RANGE_UPPER_DB[:-1, None] - _LOW_REDUCTION_DB[:-1]
    reduction_db = _LOW_REDUCTION_DB[exceeded.sum(axis=0), np.arange(11)]
    powers = 10.0 ** ((low_db + reduction_db) / 10.0)
    sums = np.add.reduceat(powers, [0, 6, 9])
    with np.errstate(divide="ignore"):
        critical_db = np.concatenate([10.0 * np.log10(sums), level_db[11:]])
    critical_db = critical_db - _EAR_TRANSMISSION_DB
    if field == "diffuse":
        critical_db = critical_db + _DIFFUSE_DB

    audible = critical_db > _THRESHOLD_DB
    above_db = np.where(audible, critical_db - _BAND_ADAPTATION_DB - _THRESHOLD_DB, -np.inf)
    growth = (0.75 + 0.25 * 10.0 ** (0.1 * above_db)) ** 0.25 - 1.0
    core = np.where(audible, 0.0635 * 10.0 ** (0.025 * _THRESHOLD_DB) * np.maximum(growth, 0), 0)
    # The threshold changes within the lowest band.
    core[0] *= min(1.0, 0.4 + 0.32 * core[0] ** 0.2)
    return np.append(core, 0.0)


def _with_slopes(core: Samples) -> tuple[float, Samples]:
    """Total and specific loudness, with slopes where a band falls below the one before."""
    total, specific = 0.0, np.zeros(240)
    reached_bark, reached, row = 0.0, 0.0, 0
    for band, (own, upper_bark) in enumerate(zip(core, _UPPER_BARK, strict=True)):
        column = min(band - 1, 7)
        while reached_bark < upper_bark:
            begin_bark, begin = reached_bark, reached
            if begin <= own:
                if begin < own:
                    row = next(n for n, limit in enumerate(_SLOPE_RANGES) if limit <= own)
                steepness, begin = 0.0, own
                reached_bark, reached = upper_bark, own
            else:
                # Down the slope of this range, to its end, to the band's own or to its edge.
                steepness = _SLOPES[row][column]
                reached = max(_SLOPE_RANGES[row], own)
                reached_bark = begin_bark + (begin - reached) / steepness
                if reached_bark > upper_bark:
                    reached_bark = upper_bark
                    reached = begin - (upper_bark - begin_bark) * steepness
            total += (reached_bark - begin_bark) * (begin + reached) / 2.0
            # Values stand at 0.1, 0.2, …; a hair forgives the rounding of these.
            steps = np.arange(
                int(np.floor(begin_bark / BARK_STEP + 1e-6)),
                int(np.floor(reached_bark / BARK_STEP + 1e-6)),
            )
            specific[steps] = begin - steepness * ((steps + 1) * BARK_STEP - begin_bark)
            while row < len(_SLOPE_RANGES) - 1 and reached <= _SLOPE_RANGES[row]:
                row += 1
    return float(total), specific
