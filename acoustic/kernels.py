"""The inner loops of the measuring chain, as something that can be chosen.

Two modules offer the same functions with the same figures: `acoustic.array_kernels`, which needs
NumPy and SciPy only, and `acoustic.compiled_kernels`, which needs numba and is several times
faster. Whoever starts a measurement hands one of them over; nothing here chooses.
"""

from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from acoustic.band_filters import BandFilters
from acoustic.frequency_weighting import WeightingState
from acoustic.signals import Samples

__all__ = ["BandMemory", "Frames", "Kernels", "MillisecondSums"]

Frames = npt.NDArray[np.intp]
"""Numbers of frames, counted from the first of a block."""

BandMemory = tuple[npt.NDArray[Any], ...]
"""What the filters of all bands remember, in a form that only the kernels who made it know."""


class MillisecondSums(NamedTuple):
    """Sums over consecutive short stretches of sound, shape ``(n, channels)`` each."""

    A_squares: Samples
    """Sum of A-weighted squares in Pa^2."""
    C_squares: Samples
    """Sum of C-weighted squares in Pa^2."""
    Z_squares: Samples
    """Sum of unweighted squares in Pa^2."""
    C_peak: Samples
    """Largest C-weighted magnitude in Pa."""


class Kernels(Protocol):
    """What a set of inner loops can do. No function changes what it is given."""

    @property
    def SAMPLES_AT_ONCE(self) -> int:
        """How many samples of all channels it is best given at once.

        More would only take more memory; fewer cost more calls.
        """
        ...

    def sum_weighted(
        self, state: WeightingState, samples: Samples, edges: Frames
    ) -> tuple[WeightingState, MillisecondSums]:
        """Weight a block with A, C and Z and sum it up between edges.

        Parameters
        ----------
        state : WeightingState
            State after the block before.
        samples : ndarray of shape (frames, channels)
            The block in Pa, at least one frame.
        edges : ndarray of shape (n + 1,)
            Rising frame numbers from 0 to the number of frames, at least 4 apart.

        Returns
        -------
        state : WeightingState
            State for the next block.
        sums : MillisecondSums
            Sums between the edges.
        """
        ...

    def exponential_average(
        self, mean_squares: Samples, durations_s: Samples, start: Samples, time_constant_s: float
    ) -> Samples:
        """See `acoustic.time_weighting.exponential_average`.

        Parameters
        ----------
        mean_squares : ndarray of shape (intervals, channels)
            Mean of the square over each interval.
        durations_s : ndarray of shape (intervals,)
            Length of each interval in seconds.
        start : ndarray of shape (channels,)
            The average before the first interval.
        time_constant_s : float
            Time constant in seconds.

        Returns
        -------
        ndarray of shape (intervals, channels)
            The average at the end of each interval, in the unit of `mean_squares`.
        """
        ...

    def bands_at_rest(self, filters: BandFilters, channels: int) -> BandMemory:
        """Return what the filters of all bands remember before the first block.

        Parameters
        ----------
        filters : BandFilters
            The filters.
        channels : int
            Number of channels.

        Returns
        -------
        tuple of ndarray
            Their memory.
        """
        ...

    def sum_bands(
        self, filters: BandFilters, memory: BandMemory, sound: Samples, edges: Frames
    ) -> tuple[BandMemory, Samples]:
        """Filter a block into bands and sum up squares row by row.

        Parameters
        ----------
        filters : BandFilters
            The filters.
        memory : tuple of ndarray
            Memory after the block before.
        sound : ndarray of shape (channels, frames)
            The block in Pa, lying in any order, a whole number of quanta and at least one.
        edges : ndarray of shape (stages, rows + 1)
            Frame numbers at the rate of each stage between which the rows lie, from 0 to the end
            of the block; rows that the block does not reach are empty.

        Returns
        -------
        memory : tuple of ndarray
            Memory for the next block.
        squares : ndarray of shape (rows, channels, bands)
            Sum of squares in Pa^2.
        """
        ...
