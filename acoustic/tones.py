"""Discrete tones in a spectrum: where they are and whether they are prominent.

The search takes lines that stand out of their surroundings, strongest first. Each tone owns the
lines around it between the lowest line on either side, or the valley before the next tone; what
rises above a straight line between those two is the tone, the rest is noise.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_closing, median_filter
from scipy.special import gammaincinv

from acoustic.critical_bands import (
    FrequencyRange,
    bands_beside,
    critical_band,
    critical_bandwidth_hz,
    hearing_threshold_db,
    merging_distance_hz,
    prominent_prominence_ratio_db,
    prominent_tone_to_noise_ratio_db,
)
from acoustic.decibels import level_db
from acoustic.errors import InputError
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum

__all__ = [
    "HIGHEST_TONE_HZ",
    "LOWEST_TONE_HZ",
    "DiscreteTone",
    "discrete_tones",
    "noise_beside_tones",
]

LOWEST_TONE_HZ = 89.1
HIGHEST_TONE_HZ = 11_200.0

_LOWEST_SEARCHED_HZ = 40.0
"""Lower edge of the critical band around the lowest tone."""

_LARGEST_SPACING_HZ = 2.5
"""A fortieth of the narrowest critical band: three lines on either side of the lowest tone."""

_TONE_BAND = 0.15
"""Widest tone, as a part of its critical band."""

_LINES_BESIDE = 15
"""Lines whose median tells the noise on either side of a tone."""

_NARROW_GAP = 3
"""So few lines between two tones are filled by the skirts of both, and are no noise."""

_VALLEY = 4.0
"""A tone of its own rises by this much, 6 dB, out of the lines between it and a stronger one."""

_LEAST_RATIO_DB = 0.0
"""Tones that stand out less from the noise in their critical band are not reported."""


@dataclass(frozen=True, slots=True)
class DiscreteTone:
    """One tone and how it stands out."""

    frequency_hz: float
    """Frequency in hertz, finer than the lines of the spectrum."""
    level_db: float
    """Level of the tone alone in dB re 20 uPa."""
    tone_to_noise_ratio_db: float
    """Level of the tone above that of the noise in its critical band, in dB."""
    prominence_ratio_db: float
    """Level of its critical band above the mean of the two beside it, in dB."""
    prominent: bool
    """Whether either ratio reaches its criterion and the tone can be heard at all."""


class _Found(NamedTuple):
    """A tone as the search takes it out of the spectrum."""

    frequency_hz: float
    """Its frequency in hertz."""
    power_pa2: float
    """Its mean square in Pa^2."""


def discrete_tones(spectrum: Spectrum, *, calibrated: bool) -> tuple[DiscreteTone, ...]:
    """Find and assess the discrete tones of a spectrum.

    Parameters
    ----------
    spectrum : Spectrum
        Unweighted spectrum of one channel, lines at most 2.5 Hz apart; 1 Hz and 30 s of steady
        sound are a good choice, as a tone that wanders over many lines is smeared.
    calibrated : bool
        Whether levels are sound pressure levels. Only then is a tone below the threshold of
        hearing never prominent.

    Returns
    -------
    tuple of DiscreteTone
        Tones from 89.1 Hz to 11.2 kHz with a tone-to-noise ratio above 0 dB, low to high. At low
        sampling rates the search ends where the band above the tone's is no longer complete.

    Raises
    ------
    InputError
        If there are several channels or the lines are too far apart.

    Notes
    -----
    ECMA-418-1. Neighbours in one critical band are taken out of the noise; one that is heard
    together with a stronger tone (nearer than `merging_distance_hz`) also adds to that tone. Tones
    at least four lines apart are told apart. Frequencies are right within 0.05 %, ratios within
    0.3 dB in noise that is even and within 0.5 dB in 20 s of random noise (closed forms, in the
    tests; `tests/benchmarks/tones_found.py` prints how often). That a tone is heard as one has to
    be confirmed by listening.
    """
    _must_suit(spectrum)
    density = spectrum.density_pa2_per_hz[:, 0]
    powers = _PowerBetween(density, spectrum.spacing_hz)
    found, owned = _search(density, spectrum)
    noise = _PowerBetween(_noise_of(spectrum, owned), spectrum.spacing_hz)
    assessed = [
        _assess(tone, found, powers, noise, calibrated=calibrated)
        for tone in sorted(found)
        if tone.frequency_hz >= LOWEST_TONE_HZ
    ]
    return tuple(tone for tone in assessed if tone.tone_to_noise_ratio_db > _LEAST_RATIO_DB)


def noise_beside_tones(spectrum: Spectrum) -> Spectrum:
    """Take the discrete tones out of a spectrum.

    Parameters
    ----------
    spectrum : Spectrum
        Unweighted spectrum of one channel, lines at most 2.5 Hz apart.

    Returns
    -------
    Spectrum
        The same with what every tone from 40 Hz on adds to its lines replaced by the noise beside.

    Raises
    ------
    InputError
        If there are several channels or the lines are too far apart.
    """
    _must_suit(spectrum)
    owned = _search(spectrum.density_pa2_per_hz[:, 0], spectrum)[1]
    return replace(spectrum, density_pa2_per_hz=_noise_of(spectrum, owned)[:, None])


def _must_suit(spectrum: Spectrum) -> None:
    """Refuse a spectrum in which tones cannot be assessed."""
    if spectrum.density_pa2_per_hz.shape[1] != 1:
        raise InputError(
            "Tones are assessed in one channel; pick one of the spectrum or average them first."
        )
    if spectrum.spacing_hz > _LARGEST_SPACING_HZ:
        raise InputError(
            f"Lines every {spectrum.spacing_hz:.3g} Hz are too coarse for discrete tones; "
            f"use at most {_LARGEST_SPACING_HZ} Hz."
        )


class _Lines(NamedTuple):
    """A spectrum as the search sees it; all of shape ``(lines,)``."""

    density: Samples
    """Density in Pa^2/Hz."""
    limits: Samples
    """Density above which a line is hardly noise."""
    peaks: npt.NDArray[np.bool_]
    """Whether a line is above that and above its neighbours."""
    spacing_hz: float
    """Distance between lines."""


class _PowerBetween:
    """Mean square between any two frequencies; a line cut by an edge counts in part."""

    def __init__(self, density: Samples, spacing_hz: float) -> None:
        self._edges_hz = spacing_hz * (np.arange(len(density) + 1) - 0.5)
        self._below = np.concatenate([[0.0], np.cumsum(density) * spacing_hz])

    def __call__(self, band: FrequencyRange) -> float:
        low, high = np.interp([band.lower_hz, band.upper_hz], self._edges_hz, self._below)
        return float(high - low)


def _noise_of(spectrum: Spectrum, owned: npt.NDArray[np.bool_]) -> Samples:
    """Density of the noise, under the tones as it is beside them.

    A tone on the edge of a band lies half in it: taking its power off the band's would take off
    too much or too little. Under a slope, leaving its lines out would as well.
    """
    density = spectrum.density_pa2_per_hz[:, 0]
    owned = binary_closing(owned, np.ones(_NARROW_GAP + 1, dtype=np.bool_))
    free = np.flatnonzero(~owned)
    shape = _shape_of_noise(spectrum)
    mean_over_median = shape / gammaincinv(shape, 0.5)
    beside = mean_over_median * median_filter(density[free], _LINES_BESIDE, mode="nearest")
    return np.where(owned, np.interp(np.arange(len(density)), free, beside), density)


def _shape_of_noise(spectrum: Spectrum) -> float:
    """Shape of the gamma distribution of a line of averaged noise."""
    # Overlapping by half costs 5 % of averages.
    return max(1.0, 0.95 * spectrum.averages)


def _search(density: Samples, spectrum: Spectrum) -> tuple[list[_Found], npt.NDArray[np.bool_]]:
    """Take tones out of the lines that stand out, strongest first; also tell the lines they own.

    Tones below the lowest that is reported are taken out too: they are no noise to those above.
    """
    spacing_hz = spectrum.spacing_hz
    highest_hz = HIGHEST_TONE_HZ
    while bands_beside(highest_hz)[1].upper_hz > spacing_hz * (len(density) - 1):
        highest_hz *= 0.99
    first, last = int(np.ceil(_LOWEST_SEARCHED_HZ / spacing_hz)), int(highest_hz / spacing_hz)
    places = np.arange(first, last + 1)
    limits = np.full(len(density), np.inf)
    limits[places] = _outstanding(density, places, spectrum)
    peaks = density > limits
    peaks[1:-1] &= (density[1:-1] >= density[:-2]) & (density[1:-1] > density[2:])
    lines = _Lines(density, limits, peaks, spacing_hz)
    owned = np.zeros(len(density), dtype=np.bool_)
    found = []
    strongest_first = np.flatnonzero(peaks)[np.argsort(-density[peaks])]
    for peak in strongest_first.tolist():
        if not owned[peak]:
            low, high = _lowest_beside(lines, owned, peak)
            # The lines at the ends are where it is not; two tones may share the one between them.
            owned[low + 1 : high] = True
            tone = _tone_between(density, peak, low, high, spacing_hz)
            if tone.power_pa2 > 0.0:
                found.append(tone)
    return found, owned


def _outstanding(density: Samples, places: npt.NDArray[np.int_], spectrum: Spectrum) -> Samples:
    """Density above which a line is hardly noise, from the median of each critical band."""
    median, rare = gammaincinv(_shape_of_noise(spectrum), [0.5, 1.0 - 1e-7])
    factor = max(4.0, float(rare / median))
    at_hz, medians = [LOWEST_TONE_HZ], list[np.floating]()
    while len(medians) < len(at_hz):
        low, high = (round(edge / spectrum.spacing_hz) for edge in critical_band(at_hz[-1]))
        medians.append(np.median(density[low : high + 1]))
        if at_hz[-1] < places[-1] * spectrum.spacing_hz:
            at_hz.append(at_hz[-1] + critical_bandwidth_hz(at_hz[-1]) / 4.0)
    # What lies 130 dB below the strongest line is the noise of the arithmetic.
    logs = np.log(np.maximum(medians, 1e-13 * density.max() + np.finfo(np.float64).tiny))
    limits: Samples = factor * np.exp(np.interp(places * spectrum.spacing_hz, at_hz, logs))
    return limits


def _lowest_beside(lines: _Lines, owned: npt.NDArray[np.bool_], peak: int) -> tuple[int, int]:
    """Lowest lines below and above a peak, within its tone band, free and before the next tone."""
    density, spacing_hz = lines.density, lines.spacing_hz
    half_width = int(_TONE_BAND / 2 * critical_bandwidth_hz(peak * spacing_hz) / spacing_hz)
    ends = []
    for direction in (-1, 1):
        reach = peak + direction * np.arange(1, half_width + 1)
        reach = reach[(reach > 0) & (reach < len(density))]
        taken = np.flatnonzero(owned[reach])
        reach = reach[: taken[0]] if len(taken) else reach
        reach = reach[: _lines_before_next_tone(lines, peak, reach)]
        ends.append(int(reach[np.argmin(density[reach])]) if len(reach) else peak)
    return ends[0], ends[1]


def _lines_before_next_tone(lines: _Lines, peak: int, reach: npt.NDArray[np.int_]) -> int:
    """How many lines beside a peak lie before one that is a tone of its own.

    Between two tones the spectrum falls to the noise or to the skirts of both; the ragged top of a
    tone that wanders does not.
    """
    density = lines.density
    for count in np.flatnonzero(lines.peaks[reach]).tolist():
        other, between = reach[count], reach[:count]
        if len(between) < 2:
            continue
        valley = between[np.argmin(density[between])]
        skirts = _skirt(density, peak, valley) + _skirt(density, other, valley)
        if (
            density[other] > _VALLEY * max(density[valley], _skirt(density, peak, other))
            and density[valley] < lines.limits[valley] + _VALLEY * skirts
        ):
            return count
    return len(reach)


def _skirt(density: Samples, peak: int, line: int) -> float:
    """Most that a steady tone whose largest line is a peak can have in another line."""
    # It may lie half a line nearer.
    x = abs(line - peak) - 0.5
    share = 1.0 if x <= 1.2 else (np.pi * x * (x**2 - 1.0)) ** -2
    return float(density[peak] * share)


def _tone_between(density: Samples, peak: int, low: int, high: int, spacing_hz: float) -> _Found:
    """Power above the straight line between two lines, and where its middle lies."""
    lines = np.arange(low, high + 1)
    excess = density[lines] - np.interp(lines, [low, high], [density[low], density[high]])
    power = float(excess.sum() * spacing_hz)
    rise = np.maximum(excess, 0.0)
    # Far from a steady tone there is nothing but noise; one that wanders is all over its lines.
    near = slice(max(peak - low - 3, 0), peak - low + 4)
    if rise[near].sum() >= 0.8 * rise.sum():
        lines, rise = lines[near], rise[near]
    line = float((lines * rise).sum() / rise.sum()) if rise.any() else float(peak)
    return _Found(float(line * spacing_hz), power)


def _assess(
    tone: _Found,
    found: list[_Found],
    powers: _PowerBetween,
    noise_between: _PowerBetween,
    *,
    calibrated: bool,
) -> DiscreteTone:
    """Compare a tone with the noise around it and with the bands beside it."""
    f = tone.frequency_hz
    band = critical_band(f)
    neighbours = [
        other
        for other in found
        if other is not tone and band.lower_hz < other.frequency_hz < band.upper_hz
    ]
    total = powers(band)
    noise = noise_between(band)
    heard_together = tone.power_pa2 + sum(
        other.power_pa2
        for other in neighbours
        if other.power_pa2 < tone.power_pa2 and abs(other.frequency_hz - f) < merging_distance_hz(f)
    )
    tone_to_noise_ratio_db = _ratio_db(heard_together, noise)

    below, above = bands_beside(f)
    lower = powers(below)
    if f <= 171.4:
        lower *= 100.0 / below.width_hz
    prominence_ratio_db = _ratio_db(total, 0.5 * (lower + powers(above)))

    level = level_db(tone.power_pa2)
    stands_out = tone_to_noise_ratio_db >= prominent_tone_to_noise_ratio_db(
        f
    ) or prominence_ratio_db >= prominent_prominence_ratio_db(f)
    audible = not calibrated or level >= hearing_threshold_db(f)
    return DiscreteTone(
        frequency_hz=f,
        level_db=level,
        tone_to_noise_ratio_db=tone_to_noise_ratio_db,
        prominence_ratio_db=prominence_ratio_db,
        prominent=stands_out and audible,
    )


def _ratio_db(power: float, other: float) -> float:
    """Ratio in dB, at most 120 dB: a synthetic tone may have no noise at all."""
    return float(10.0 * np.log10(power / max(other, 1e-12 * power)))
