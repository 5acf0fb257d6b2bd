"""Sums of short spectra in groups: steps of time, or ranges of speed."""

import numpy as np
import numpy.typing as npt

from acoustic.segments import SegmentPowers, SegmentState
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum

__all__ = ["SegmentSums"]


class SegmentSums:
    """Sums of segments in groups.

    Parameters
    ----------
    groups : int
        How many.
    state : SegmentState
        The stream that the segments come from.
    """

    def __init__(self, groups: int, state: SegmentState) -> None:
        self._spacing_hz = state.spacing_hz
        self._sums = np.zeros((groups, state.lines))
        self.counts = np.zeros(groups, dtype=np.int_)
        """Number of segments in each group, shape ``(groups,)``."""

    def add(self, powers: SegmentPowers, group: npt.NDArray[np.int_]) -> None:
        """Take segments.

        Parameters
        ----------
        powers : SegmentPowers
            The segments.
        group : ndarray of int, shape (segments,)
            Group of each; below zero for none.
        """
        for number in np.unique(group[group >= 0]).tolist():
            chosen = group == number
            self._sums[number] += powers.density_pa2_per_hz[chosen].sum(axis=0, dtype=np.float64)
            self.counts[number] += np.count_nonzero(chosen)

    def density_pa2_per_hz(self) -> Samples:
        """Mean density of each group in Pa^2/Hz, shape ``(groups, lines)``; zero for none."""
        density: Samples = self._sums / np.maximum(self.counts, 1)[:, None]
        return density

    def mean_of(self, groups: npt.NDArray[np.int_], *, share: float = 1.0) -> Spectrum:
        """Average over groups, each by its segments.

        Parameters
        ----------
        groups : ndarray of int
            Which groups count; together they hold at least one segment.
        share : float, optional
            Share of the channels that carry sound; those that do not are no part of the average.

        Returns
        -------
        Spectrum
            The spectrum, of one channel.
        """
        count = int(self.counts[groups].sum())
        density = self._sums[groups].sum(axis=0)[:, None] / (count * share)
        return Spectrum(self._spacing_hz, 1.5 * self._spacing_hz, density, count)
