"""Arithmetic with levels in decibels.

Levels are 10 lg of a mean square re a reference. Sums and averages are those of energy: they go
through the mean squares, never over the decibels themselves.
"""

from typing import overload

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples

__all__ = [
    "REFERENCE_PRESSURE_PA",
    "energy_mean_db",
    "energy_sum_db",
    "level_db",
    "mean_square_pa2",
]

REFERENCE_PRESSURE_PA = 20e-6
"""Reference sound pressure in air, 20 uPa (IEC 61672-1:2013, 3.2)."""


@overload
def level_db(mean_square_pa2: float) -> float: ...
@overload
def level_db(mean_square_pa2: Samples) -> Samples: ...
def level_db(mean_square_pa2: float | Samples) -> float | Samples:
    """Sound pressure level of a mean square pressure.

    Parameters
    ----------
    mean_square_pa2 : float or ndarray
        Mean square sound pressure in Pa^2, any shape.

    Returns
    -------
    float or ndarray
        Level in dB re 20 uPa; ``-inf`` for exact silence.

    Examples
    --------
    >>> round(level_db(1.0), 2)
    93.98
    """
    with np.errstate(divide="ignore"):
        level = 10.0 * np.log10(np.asarray(mean_square_pa2) / REFERENCE_PRESSURE_PA**2)
    return float(level) if np.ndim(mean_square_pa2) == 0 else level


@overload
def mean_square_pa2(level_db: float) -> float: ...
@overload
def mean_square_pa2(level_db: Samples) -> Samples: ...
def mean_square_pa2(level_db: float | Samples) -> float | Samples:
    """Mean square pressure of a sound pressure level.

    Parameters
    ----------
    level_db : float or ndarray
        Level in dB re 20 uPa, any shape.

    Returns
    -------
    float or ndarray
        Mean square sound pressure in Pa^2.
    """
    square = REFERENCE_PRESSURE_PA**2 * 10.0 ** (np.asarray(level_db) / 10.0)
    return float(square) if np.ndim(level_db) == 0 else square


def energy_sum_db(levels_db: npt.ArrayLike) -> float:
    """Level of several uncorrelated sounds together.

    Parameters
    ----------
    levels_db : array_like
        Levels in dB, any shape; ``-inf`` stands for silence.

    Returns
    -------
    float
        Level of the sum in dB; ``-inf`` for no or only silent sounds.

    Examples
    --------
    >>> round(energy_sum_db([60.0, 60.0]), 2)
    63.01
    """
    powers = 10.0 ** (np.asarray(levels_db, dtype=np.float64) / 10.0)
    with np.errstate(divide="ignore"):
        return float(10.0 * np.log10(powers.sum()))


def energy_mean_db(levels_db: npt.ArrayLike) -> float:
    """Level with the average energy of several levels of equal duration.

    Parameters
    ----------
    levels_db : array_like
        Levels in dB, any shape, at least one.

    Returns
    -------
    float
        Level in dB.

    Examples
    --------
    >>> round(energy_mean_db([60.0, 70.0]), 2)
    67.4
    """
    powers = 10.0 ** (np.asarray(levels_db, dtype=np.float64) / 10.0)
    with np.errstate(divide="ignore"):
        return float(10.0 * np.log10(powers.mean()))
