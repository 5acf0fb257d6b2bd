"""The level of a source alone, when a background was heard with it.

Energies subtract as long as source and background together are clearly louder than the background
alone. Below a least difference the correction is held at its value there, and what is reported is
an upper bound: the source is at most that loud.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acoustic.decibels import energy_sum_db
from acoustic.errors import InputError
from acoustic.signals import Samples

__all__ = [
    "LEAST_DIFFERENCE_DB",
    "SourceLevels",
    "TotalLevel",
    "background_correction_db",
    "total_of_bands",
    "without_background",
]

LEAST_DIFFERENCE_DB = {"engineering": 6.0, "survey": 3.0}
"""Least difference by grade: ISO 3744 and ISO 3746."""

_NEGLIGIBLE_DB = 0.5
"""Bands without which a total changes less than this do not make it an upper bound."""


def background_correction_db(difference_db: npt.ArrayLike) -> Samples:
    """Background correction K1.

    Parameters
    ----------
    difference_db : array_like
        Level with the source on less that with the source off, in dB, any shape.

    Returns
    -------
    ndarray
        What to subtract from the level with the source on, in dB; ``inf`` where the difference
        is not above zero.

    Notes
    -----
    ISO 3744: ``K1 = -10 lg(1 - 10**(-0.1 dL))``. The standard lets a correction be left out above
    15 dB, where it is at most 0.14 dB; here it never is.

    Examples
    --------
    >>> print(background_correction_db([3.0, 10.0]).round(2))
    [3.02 0.46]
    """
    difference = np.asarray(difference_db, dtype=np.float64)
    left = np.maximum(-np.expm1(-difference * np.log(10.0) / 10.0), 0.0)
    with np.errstate(divide="ignore"):
        correction: Samples = -10.0 * np.log10(left) + 0.0
    return correction


@dataclass(frozen=True, slots=True, eq=False)
class SourceLevels:
    """Levels of a source alone, overall or in bands."""

    level_db: Samples
    """Level of the source in dB, or the bound where it is one."""
    correction_db: Samples
    """Background correction that was subtracted, in dB."""
    upper_bound: npt.NDArray[np.bool_]
    """Whether the source may be quieter than the level says."""


def without_background(
    together_db: npt.ArrayLike, background_db: npt.ArrayLike, *, least_difference_db: float
) -> SourceLevels:
    """Subtract the background, element by element.

    Parameters
    ----------
    together_db : array_like
        Levels with the source on in dB, any shape.
    background_db : array_like
        Levels with the source off in dB, of a shape that fits; ``-inf`` for silence.
    least_difference_db : float
        Difference below which only an upper bound is given, above zero; see
        `LEAST_DIFFERENCE_DB`.

    Returns
    -------
    SourceLevels
        Levels of the source alone.

    Raises
    ------
    InputError
        If the least difference is not above zero, or a level is not a number.

    Notes
    -----
    ISO 3744. Peak levels take no such correction.
    """
    if not least_difference_db > 0.0:
        raise InputError(
            f"The least difference to the background must be above 0 dB, not "
            f"{least_difference_db}; a standard asks for 3 or 6 dB."
        )
    together, background = np.broadcast_arrays(
        np.asarray(together_db, dtype=np.float64), np.asarray(background_db, dtype=np.float64)
    )
    if np.isnan(together).any() or np.isnan(background).any():
        raise InputError("A level to be corrected for background is missing; measure it first.")
    silent = np.isneginf(together)
    difference = np.where(silent, -np.inf, together - np.where(silent, 0.0, background))
    upper_bound = difference < least_difference_db
    correction = background_correction_db(np.maximum(difference, least_difference_db))
    return SourceLevels(together - correction, correction, upper_bound)


@dataclass(frozen=True, slots=True)
class TotalLevel:
    """Level of a source over all its bands."""

    level_db: float
    """Level in dB, or the bound if it is one."""
    upper_bound: bool
    """Whether bands that are only bounds matter, so that the source may be quieter."""


def total_of_bands(source: SourceLevels, weighting_db: Samples) -> TotalLevel:
    """Weight and sum bands that were corrected one by one.

    Parameters
    ----------
    source : SourceLevels
        Levels of the source in bands, shape ``(bands,)``.
    weighting_db : ndarray of shape (bands,)
        Weighting of each band in dB, such as the A-weighting at its mid-band frequency.

    Returns
    -------
    TotalLevel
        The total; an upper bound if without the bands that are bounds it would be lower by 0.5 dB
        or more.
    """
    weighted_db = source.level_db + weighting_db
    total_db = energy_sum_db(weighted_db)
    certain_db = energy_sum_db(weighted_db[~source.upper_bound])
    matters = source.upper_bound.any() and not total_db - certain_db < _NEGLIGIBLE_DB
    return TotalLevel(total_db, bool(matters))
