"""Design of octave and one-third octave filters, each at the lowest rate that suits it.

Every band is a Butterworth filter of fourth order (eight poles). High bands run at the full rate;
the sound is then halved in rate again and again, and each band is filtered where its upper edge
first lies below 0.35 of the rate. Halving ends near 1.4 kHz: below that nothing is saved, while
every further halving doubles the delay.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, remez

from acoustic.band_frequencies import BandsPerOctave, FrequencyBands, audible_bands
from acoustic.signals import Samples

__all__ = ["HALVING_DELAY", "BandFilters", "BandStage", "band_filters"]

_ORDER = 4
_HIGHEST_EDGE = 0.35
"""Highest upper edge of a band at a reduced rate, as a part of that rate."""
_HIGHEST_EDGE_ONCE_HALVED = 0.3755
"""The same where the rate was halved once. Bands at the full rate come nearer to half of it than
that, and at 48 kHz it leaves four of them there: as many as a processor computes at once."""
_LOWEST_RATE_HZ = 1400.0

_HALVING_TAPS = 47
HALVING_DELAY = _HALVING_TAPS // 2
"""Delay of one halving, in frames before it."""


@dataclass(frozen=True, slots=True, eq=False)
class BandStage:
    """Neighbouring bands that are filtered at one rate."""

    halvings: int
    """How often the rate was halved before."""
    bands: slice
    """Which bands these are, counted from the lowest."""
    sections: Samples
    """Their filters, shape ``(bands, sections, 6)``; read-only. Each section has a pair of complex
    poles, and zeros at 1 and -1."""


@dataclass(frozen=True, slots=True, eq=False)
class BandFilters:
    """All filters of a measurement in bands at one sampling rate."""

    rate_hz: float
    """Sampling rate in hertz."""
    bands: FrequencyBands
    """The bands."""
    stages: tuple[BandStage, ...]
    """One stage for each rate, full rate first; a stage may be without bands."""
    stage_of_band: npt.NDArray[np.intp]
    """Number of the stage that each band belongs to, shape ``(bands,)``; read-only."""
    halving_taps: Samples
    """Every other coefficient of the half-band filter that halves a rate; the others are zero,
    but for 0.5 in the middle. Read-only."""

    @property
    def quantum(self) -> int:
        """Number of frames that make one frame at the lowest rate."""
        return int(2 ** self.stages[-1].halvings)

    @property
    def delay_frames(self) -> int:
        """Frames by which the lowest bands come later than the sound."""
        return HALVING_DELAY * (self.quantum - 1)


@lru_cache(maxsize=32)
def band_filters(rate_hz: float, bands_per_octave: BandsPerOctave) -> BandFilters:
    """Design the filters from 20 Hz to 20 kHz for a sampling rate; designs are kept.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in hertz.
    bands_per_octave : {1, 3}
        Octaves or one-third octaves.

    Returns
    -------
    BandFilters
        The filters.

    Raises
    ------
    InputError
        If no band fits below half the rate.

    Notes
    -----
    IEC 61260-1:2014: every band keeps the class 1 mask at every usual rate from 8 kHz to 192 kHz.
    The edges are moved inwards so that pink noise reads exactly as through an ideal band; white
    noise then does so within 0.03 dB, the octave at 16 kHz within 0.06 dB at 48 kHz.
    """
    bands = audible_bands(rate_hz, bands_per_octave)
    most_halvings = max(0, int(np.log2(rate_hz / _LOWEST_RATE_HZ)))
    fitting = np.floor(np.log2(_HIGHEST_EDGE * rate_hz / bands.upper_hz)).astype(int)
    halvings = np.clip(fitting, 0, most_halvings).astype(np.intp)
    halvings[(halvings == 0) & (bands.upper_hz <= _HIGHEST_EDGE_ONCE_HALVED * rate_hz / 2.0)] = 1
    halvings.setflags(write=False)
    lower_hz, upper_hz = _narrowed_edges(bands, rate_hz / 2.0**halvings)

    stages = []
    for number in range(int(halvings.max()) + 1):
        members = np.flatnonzero(halvings == number)
        sections = np.zeros((len(members), _ORDER, 6))
        for section, band in zip(sections, members, strict=True):
            edges_hz = [lower_hz[band], upper_hz[band]]
            section[:] = _band_pass(edges_hz, rate_hz / 2.0**number)
        sections.setflags(write=False)  # shared by every caller
        # Bands rise while halvings fall, so the members of a stage are neighbours.
        first = int(np.count_nonzero(halvings > number))
        stages.append(BandStage(number, slice(first, first + len(members)), sections))

    # Stops what would fall below the highest edge by 97 dB; ripple 0.0001 dB, and 0.00002 dB for
    # low bands, which pass many halvings. Best in the sense of Chebyshev, for which every other
    # coefficient of a half-band filter can be fitted by itself.
    passed = [0.0, 0.1, 0.12, _HIGHEST_EDGE_ONCE_HALVED]
    taps: Samples = remez(_HALVING_TAPS // 2 + 1, passed, [0.5, 0.5], weight=[8.0, 1.0], fs=1.0)
    taps.setflags(write=False)
    return BandFilters(float(rate_hz), bands, tuple(stages), halvings, taps)


def _band_pass(edges_hz: list[float], rate_hz: float) -> Samples:
    """Design a Butterworth filter as sections with one zero at 0 Hz and one at half the rate."""
    _, poles, gain = butter(_ORDER, edges_hz, "bandpass", output="zpk", fs=rate_hz)
    poles = poles[poles.imag > 0.0]
    # Poles near the circle last: what they raise has passed the others by then.
    poles = poles[np.argsort(np.abs(poles))]
    share = gain ** (1.0 / _ORDER)
    one = np.ones(_ORDER)
    return np.stack(
        [share * one, 0.0 * one, -share * one, one, -2.0 * poles.real, np.square(np.abs(poles))],
        axis=1,
    )


def _narrowed_edges(bands: FrequencyBands, rates_hz: Samples) -> tuple[Samples, Samples]:
    """Edges with which each filter passes as much pink noise as an ideal band."""
    low_hz = bands.exact_hz / 5.0
    high_hz = np.minimum(bands.exact_hz * 5.0, 0.499999 * rates_hz)
    steps = 2000
    ratio = (high_hz / low_hz)[:, None] ** np.linspace(0.0, 1.0, steps + 1)
    warped: Samples = np.tan(np.pi * low_hz[:, None] * ratio / rates_hz[:, None])
    half_width = bands.upper_hz / bands.exact_hz

    # A Butterworth filter passes more noise than an ideal band between its 3 dB points.
    angle = np.pi / (2 * _ORDER)
    exponent = np.full(len(bands), np.sin(angle) / angle)
    for _ in range(8):
        low = np.tan(np.pi * bands.exact_hz / half_width**exponent / rates_hz)[:, None]
        high = np.tan(np.pi * bands.exact_hz * half_width**exponent / rates_hz)[:, None]
        gain = 1.0 / (1.0 + ((warped**2 - low * high) / (warped * (high - low))) ** (2 * _ORDER))
        passed = np.trapezoid(gain, axis=1) * np.log(high_hz / low_hz) / steps
        exponent *= 2.0 * np.log(half_width) / passed
    return bands.exact_hz / half_width**exponent, bands.exact_hz * half_width**exponent
