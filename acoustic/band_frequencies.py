"""Mid-band and edge frequencies of octaves and one-third octaves, base ten."""

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from acoustic.errors import InputError
from acoustic.signals import Samples

__all__ = ["BandsPerOctave", "FrequencyBands", "audible_bands", "bands_within"]

BandsPerOctave = Literal[1, 3]
"""Octaves or one-third octaves."""

_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""Nominal frequencies of the ten one-third octaves of a decade."""


@dataclass(frozen=True, slots=True, eq=False)
class FrequencyBands:
    """Consecutive bands of one width, low to high."""

    bands_per_octave: BandsPerOctave
    """1 for octaves, 3 for one-third octaves."""
    nominal_hz: tuple[float, ...]
    """Rounded mid-band frequencies in hertz: the labels."""
    exact_hz: Samples
    """Exact mid-band frequencies in hertz, shape ``(bands,)``: what to compute with."""
    lower_hz: Samples
    """Lower edges in hertz, shape ``(bands,)``."""
    upper_hz: Samples
    """Upper edges in hertz, shape ``(bands,)``."""

    def __len__(self) -> int:
        """Return the number of bands."""
        return len(self.nominal_hz)


def bands_within(
    lowest_hz: float, highest_hz: float, bands_per_octave: BandsPerOctave
) -> FrequencyBands:
    """Bands whose mid-band frequencies lie in a range.

    Parameters
    ----------
    lowest_hz, highest_hz : float
        The range in hertz, both ends included; nominal frequencies will do.
    bands_per_octave : {1, 3}
        Octaves or one-third octaves.

    Returns
    -------
    FrequencyBands
        The bands, low to high.

    Raises
    ------
    InputError
        If the width is another one, or no band lies in the range.

    Notes
    -----
    IEC 61260-1:2014, base ten: mid-band frequencies ``1000 * 10**(0.3 x / b)`` for b bands to the
    octave, edges a factor ``10**(0.15 / b)`` away.

    Examples
    --------
    >>> bands_within(31.5, 125, 1).nominal_hz
    (31.5, 63.0, 125.0)
    """
    if bands_per_octave not in get_args(BandsPerOctave):
        raise InputError(
            f"Bands are octaves (1) or one-third octaves (3), not {bands_per_octave} to the octave."
        )
    step = 3 // bands_per_octave
    # A nominal frequency is at most 1.2 % off its exact one; a tenth of a step forgives that.
    if lowest_hz > 0 and highest_hz > 0:
        first = int(np.ceil((10.0 * np.log10(lowest_hz / 1000.0) - 0.1) / step))
        last = int(np.floor((10.0 * np.log10(highest_hz / 1000.0) + 0.1) / step))
    else:
        first, last = 0, -1
    if first > last:
        raise InputError(
            f"No mid-band frequency lies between {lowest_hz:g} Hz and {highest_hz:g} Hz; "
            "widen the range."
        )
    numbers = step * np.arange(first, last + 1)
    exact_hz = 1000.0 * 10.0 ** (numbers / 10.0)
    half_width = 10.0 ** (0.15 / bands_per_octave)
    nominal_hz = tuple(
        float(f"{_NOMINAL[number % 10] * 10.0 ** (3 + number // 10):.4g}") for number in numbers
    )
    return FrequencyBands(
        bands_per_octave, nominal_hz, exact_hz, exact_hz / half_width, exact_hz * half_width
    )


def audible_bands(rate_hz: float, bands_per_octave: BandsPerOctave) -> FrequencyBands:
    """Bands from 20 Hz to 20 kHz that fit below half a sampling rate.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in hertz.
    bands_per_octave : {1, 3}
        Octaves (31.5 Hz to 16 kHz) or one-third octaves (20 Hz to 20 kHz).

    Returns
    -------
    FrequencyBands
        The bands; those whose upper edge exceeds 0.47 of the rate are left out.

    Raises
    ------
    InputError
        If the width is another one, or no band fits.

    Examples
    --------
    >>> audible_bands(48_000, 3).nominal_hz[-2:]
    (16000.0, 20000.0)
    >>> audible_bands(44_100, 3).nominal_hz[-2:]
    (12500.0, 16000.0)
    """
    usable = bands_within(20.0, 20_000.0, bands_per_octave)
    count = int(np.searchsorted(usable.upper_hz, 0.47 * rate_hz))
    if count == 0:
        raise InputError(f"No band fits below half of {rate_hz:g} Hz; use a higher sampling rate.")
    return FrequencyBands(
        bands_per_octave,
        usable.nominal_hz[:count],
        usable.exact_hz[:count],
        usable.lower_hz[:count],
        usable.upper_hz[:count],
    )
