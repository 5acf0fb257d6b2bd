"""Frequency weightings A and C: their definition, and filters that render it up to 20 kHz."""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.signal import sosfilt

from acoustic.errors import SignalError
from acoustic.signals import PressureSignal, Samples
from acoustic.weighting_design import analytic_weighting_db, design_weighting

__all__ = [
    "FrequencyWeighting",
    "WeightingFilters",
    "WeightingState",
    "a_weighting_db",
    "c_weighting_db",
    "frequency_weighted",
    "start_weighting",
    "weigh",
    "weighting_filters",
    "without_denormals",
]

FrequencyWeighting = Literal["A", "C", "Z"]
"""A, C, or Z: no weighting."""

_LOWEST_RATE_HZ, _HIGHEST_RATE_HZ = 8_000.0, 192_000.0

_OFFSET_CORNER_HZ = 0.5
"""Corner of the high-pass before Z: an offset of the converter is no sound. 0.01 dB at 10 Hz."""


def a_weighting_db(frequency_hz: npt.ArrayLike) -> Samples:
    """A-weighting as the standard defines it.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies in hertz, any shape.

    Returns
    -------
    ndarray
        Weighting in dB re that at 1 kHz, same shape; ``-inf`` at 0 Hz.

    Notes
    -----
    IEC 61672-1:2013, with poles at 20.599, 107.653, 737.862 and 12194.217 Hz. Normalised to exactly
    0 dB at 1 kHz, where the rounded constant 2.000 dB of the standard leaves 0.0003 dB.

    Examples
    --------
    >>> print(a_weighting_db([100.0, 1000.0]).round(1))
    [-19.1   0. ]
    """
    return analytic_weighting_db(np.asarray(frequency_hz, dtype=np.float64), "A")


def c_weighting_db(frequency_hz: npt.ArrayLike) -> Samples:
    """C-weighting as the standard defines it.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies in hertz, any shape.

    Returns
    -------
    ndarray
        Weighting in dB re that at 1 kHz, same shape; ``-inf`` at 0 Hz.

    Notes
    -----
    IEC 61672-1:2013, with double poles at 20.599 and 12194.217 Hz.

    Examples
    --------
    >>> print(c_weighting_db([31.5, 8000.0]).round(1))
    [-3. -3.]
    """
    return analytic_weighting_db(np.asarray(frequency_hz, dtype=np.float64), "C")


@dataclass(frozen=True, slots=True, eq=False)
class WeightingFilters:
    """A- and C-weighting at one sampling rate, as cascades of second-order sections."""

    rate_hz: float
    """Sampling rate in hertz."""
    C_sections: Samples
    """C-weighting, shape ``(sections, 6)``; read-only."""
    A_sections_after_C: Samples
    """What makes a C-weighted signal an A-weighted one, shape ``(sections, 6)``; read-only."""

    @property
    def Z_pole(self) -> float:
        """Pole of the high-pass before Z; its zero is 1 and its gain ``(1 + Z_pole) / 2``."""
        return float(np.exp(-2 * np.pi * _OFFSET_CORNER_HZ / self.rate_hz))

    def response_db(self, frequency_hz: npt.ArrayLike, weighting: Literal["A", "C"]) -> Samples:
        """Level that the filter gives a tone, re the level of the tone.

        Parameters
        ----------
        frequency_hz : array_like of shape (n,)
            Frequencies in hertz.
        weighting : {"A", "C"}
            Which filter.

        Returns
        -------
        ndarray of shape (n,)
            Response in dB.
        """
        z = np.exp(-2j * np.pi * np.asarray(frequency_hz, dtype=np.float64) / self.rate_hz)
        powers = z[:, None] ** np.arange(3)
        sections = self.C_sections
        if weighting == "A":
            sections = np.vstack([sections, self.A_sections_after_C])
        magnitudes: Samples = np.abs((powers @ sections[:, :3].T) / (powers @ sections[:, 3:].T))
        with np.errstate(divide="ignore"):
            response_db: Samples = 20.0 * np.log10(magnitudes).sum(axis=1)
        return response_db


def weighting_filters(rate_hz: float) -> WeightingFilters:
    """Design the A- and C-weighting filters for a sampling rate; designs are kept.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in hertz, 8 kHz to 192 kHz.

    Returns
    -------
    WeightingFilters
        Both filters; C is the first part of A.

    Raises
    ------
    SignalError
        If the rate is outside 8 kHz to 192 kHz.

    Notes
    -----
    Error against the definition from 10 Hz to 20 kHz: at most 0.001 dB at 44.1 and 48 kHz and
    0.0001 dB from 88.2 kHz; below 44.1 kHz at most 0.007 dB up to 0.45 of the rate.
    """
    if not _LOWEST_RATE_HZ <= rate_hz <= _HIGHEST_RATE_HZ:
        raise SignalError(
            f"A sampling rate of {rate_hz:g} Hz cannot be frequency-weighted; "
            "use one from 8000 Hz to 192000 Hz."
        )
    return _kept_design(float(rate_hz))


@lru_cache(maxsize=32)
def _kept_design(rate_hz: float) -> WeightingFilters:
    sections = design_weighting(rate_hz)
    for array in sections:
        array.setflags(write=False)  # shared by every caller
    return WeightingFilters(rate_hz, sections.C, sections.A_after_C)


@dataclass(frozen=True, slots=True, eq=False)
class WeightingState:
    """What the filters remember between two blocks: a value, never changed."""

    filters: WeightingFilters
    """The filters."""
    C: Samples
    """Delay values of the C sections, shape ``(sections, 2, channels)``."""
    A: Samples
    """Delay values of the A sections, shape ``(sections, 2, channels)``."""
    Z: Samples
    """Delay value of the high-pass before Z, shape ``(1, channels)``."""


def start_weighting(filters: WeightingFilters, channels: int) -> WeightingState:
    """Return the state of all filters at rest.

    Parameters
    ----------
    filters : WeightingFilters
        The filters.
    channels : int
        Number of channels.

    Returns
    -------
    WeightingState
        State before the first block.
    """
    return WeightingState(
        filters,
        np.zeros((len(filters.C_sections), 2, channels)),
        np.zeros((len(filters.A_sections_after_C), 2, channels)),
        np.zeros((1, channels)),
    )


def weigh(state: WeightingState, samples: Samples) -> tuple[Samples, Samples, WeightingState]:
    """Weight one block with A and C in one pass.

    Parameters
    ----------
    state : WeightingState
        State after the block before, or from `start_weighting`; it is not changed.
    samples : ndarray of shape (frames, channels)
        The block, at least one frame.

    Returns
    -------
    A : ndarray of shape (frames, channels)
        A-weighted samples.
    C : ndarray of shape (frames, channels)
        C-weighted samples.
    state : WeightingState
        State for the next block.
    """
    filters = state.filters
    C, C_state = sosfilt(filters.C_sections.copy(), samples, axis=0, zi=state.C)
    A, A_state = sosfilt(filters.A_sections_after_C.copy(), C, axis=0, zi=state.A)
    return A, C, replace(state, C=without_denormals(C_state), A=without_denormals(A_state))


def without_denormals(delays: Samples) -> Samples:
    """Return filter delays with vanishing values set to zero.

    After digital silence a recursive filter decays into subnormal numbers, which processors
    handle a hundred times slower than others.

    Parameters
    ----------
    delays : ndarray
        Delay values in pascals, any shape.

    Returns
    -------
    ndarray
        The same, with every magnitude below 1e-150 replaced by zero.
    """
    return np.where(np.abs(delays) < 1e-150, 0.0, delays)


def frequency_weighted(signal: PressureSignal, weighting: FrequencyWeighting) -> PressureSignal:
    """Weight a whole signal, the filter being at rest before it.

    Parameters
    ----------
    signal : PressureSignal
        Sound pressure in Pa, shape ``(frames, channels)``.
    weighting : {"A", "C", "Z"}
        The weighting; Z returns the signal as it is.

    Returns
    -------
    PressureSignal
        Weighted sound pressure in Pa, same shape.

    Raises
    ------
    SignalError
        If the sampling rate is outside 8 kHz to 192 kHz.
    """
    if weighting == "Z":
        return signal
    filters = weighting_filters(signal.rate_hz)
    if len(signal.samples) == 0:
        return signal
    state = start_weighting(filters, signal.samples.shape[1])
    A, C, _ = weigh(state, signal.samples)
    return PressureSignal(A if weighting == "A" else C, signal.rate_hz)
