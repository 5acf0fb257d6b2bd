"""Two spectra beside one another in narrow bands, and how sure their difference is.

A band of noise that was listened to for a time T scatters by 4.34 / sqrt(B T) dB. What both
recordings have in common, such as the calibrator, cancels in their difference; what each has of
its own adds up.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.background import without_background
from acoustic.errors import InputError
from acoustic.narrow_bands import narrow_band_levels_db
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum

__all__ = [
    "BandLevels",
    "SpectralDifference",
    "band_levels",
    "spectral_difference",
    "third_octaves_db",
    "twelfth_octaves_hz",
]

_NUMBERS: Final = np.arange(-70.0, 54.0)
"""Numbers of the bands re 1 kHz: those in the one-third octaves of 20 Hz to 20 kHz."""
_PER_THIRD: Final = 4
_DB_PER_RELATIVE: Final = float(10.0 / np.log(10.0))
"""Small relative change of a power in dB: 4.34."""
_SHARED: Final = 2.05
"""Lines and segments for each independent power: under a Hann window neighbouring lines share
(2/3)^2 and (1/6)^2 of their scatter, and segments that overlap by half (1/6)^2."""


def twelfth_octaves_hz() -> Samples:
    """Mid-band frequencies of the one-twelfth octaves from 20 Hz to 20 kHz.

    Returns
    -------
    ndarray of shape (124,)
        Exact frequencies in hertz, base 10; four fill each one-third octave.

    Notes
    -----
    IEC 61260-1:2014, bandwidth designator 1/12.

    Examples
    --------
    >>> twelfth_octaves_hz()[[0, 123]].round(1).tolist()
    [18.3, 21752.0]
    """
    frequency_hz: Samples = 1000.0 * 10.0 ** ((_NUMBERS + 0.5) / 40.0)
    return frequency_hz


@dataclass(frozen=True, slots=True, eq=False)
class BandLevels:
    """A spectrum in one-twelfth octaves, with or without the room in it."""

    level_db: Samples
    """Level in each band in dB, shape ``(124,)``; NaN beyond the spectrum."""
    u_db: Samples
    """Standard uncertainty from hearing noise for a limited time, in dB, same shape."""
    upper_bound: npt.NDArray[np.bool_]
    """Whether the room is so near that the source is at most that loud, same shape."""


def band_levels(
    spectrum: Spectrum, floor: Spectrum | None = None, *, least_difference_db: float = 3.0
) -> BandLevels:
    """Put a spectrum into one-twelfth octaves, and take the room out of it.

    Parameters
    ----------
    spectrum : Spectrum
        Spectrum of one channel, with the source on.
    floor : Spectrum, optional
        Spectrum of one channel with the source off; without it the room stays in.
    least_difference_db : float, optional
        Difference to the room below which only an upper bound is given.

    Returns
    -------
    BandLevels
        Levels and their uncertainty.

    Raises
    ------
    InputError
        If a spectrum has several channels.

    Notes
    -----
    Below 45 Hz a band of lines every hertz is wider than a one-twelfth octave: it holds three
    lines at least. A tone in the middle of a band is known better than is stated here, as noise is
    assumed. Energies subtract by ISO 3744; the uncertainty of both is passed on by its
    sensitivities.
    """
    level_db, relative_u = _levels_with_noise(spectrum)
    if floor is None:
        nothing = np.zeros(len(level_db), dtype=np.bool_)
        return BandLevels(level_db, _DB_PER_RELATIVE * relative_u, nothing)
    floor_db, floor_u = _levels_with_noise(floor)
    known = np.isfinite(level_db) & ~np.isnan(floor_db)
    alone = without_background(
        np.where(known, level_db, 0.0),
        np.where(known, floor_db, -np.inf),
        least_difference_db=least_difference_db,
    )
    # The share of the room in what was heard together, held where the correction is held.
    room = 1.0 - 10.0 ** (-0.1 * alone.correction_db)
    u = np.hypot(relative_u, room * np.where(known, floor_u, 0.0)) / (1.0 - room)
    return BandLevels(
        np.where(known, alone.level_db, level_db), _DB_PER_RELATIVE * u, alone.upper_bound & known
    )


def _levels_with_noise(spectrum: Spectrum) -> tuple[Samples, Samples]:
    """Level of each band, and its relative standard uncertainty as noise."""
    if spectrum.density_pa2_per_hz.shape[1] != 1:
        raise InputError("Spectra are compared in one channel; pick one or average them first.")
    frequency_hz = twelfth_octaves_hz()
    width_hz = np.maximum(frequency_hz * np.log(10.0) / 40.0, 3.0 * spectrum.spacing_hz)
    independent = spectrum.averages * width_hz / spectrum.spacing_hz / _SHARED
    return narrow_band_levels_db(spectrum, frequency_hz)[:, 0], 1.0 / np.sqrt(independent)


def third_octaves_db(band_db: Samples) -> Samples:
    """Sum one-twelfth octaves to one-third octaves.

    Parameters
    ----------
    band_db : ndarray of shape (124,)
        Levels in dB.

    Returns
    -------
    ndarray of shape (31,)
        Levels from 20 Hz to 20 kHz; NaN where a part is missing.
    """
    power = 10.0 ** (band_db.reshape(-1, _PER_THIRD) / 10.0)
    with np.errstate(divide="ignore"):
        level_db: Samples = 10.0 * np.log10(power.sum(axis=1))
    return level_db


@dataclass(frozen=True, slots=True, eq=False)
class SpectralDifference:
    """Second spectrum less the first in one-twelfth octaves."""

    difference_db: Samples
    """Difference in dB, shape ``(124,)``; NaN where either is only a bound or missing."""
    U95_db: Samples
    """Half-width of its 95 % interval in dB, same shape."""


def spectral_difference(
    first: BandLevels, second: BandLevels, *, u_of_both_db: float
) -> SpectralDifference:
    """Compare two spectra band by band.

    Parameters
    ----------
    first, second : BandLevels
        The spectra.
    u_of_both_db : float
        Standard uncertainty of the difference that is the same in all bands: what is left of the
        measuring chain, and how much both sources hunt; in dB.

    Returns
    -------
    SpectralDifference
        Second less first.

    Notes
    -----
    Noise of the two is independent; what cancels between them is left out of `u_of_both_db`
    beforehand (`acoustic.budget.difference`). k = 1.96.
    """
    difference = second.level_db - first.level_db
    unknown = first.upper_bound | second.upper_bound | ~np.isfinite(difference)
    u = np.sqrt(first.u_db**2 + second.u_db**2 + u_of_both_db**2)
    return SpectralDifference(
        np.where(unknown, np.nan, difference), np.where(unknown, np.nan, 1.96 * u)
    )
