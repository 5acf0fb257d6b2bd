"""Equal parts of a run: short stretches of a steady load, or high phases of one that cycles."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.errors import InputError
from acoustic.signals import Samples
from calibration.correlated_mean import CorrelatedEstimate, Settling, correlated_mean
from calibration.power_cycles import LoadPhases
from calibration.run_log import BlockedRun

__all__ = ["RunPieces", "load_range", "pieces_of"]

_PIECES: Final = 250
"""Pieces that a steady run is averaged over: many, yet few enough to follow their correlation."""
_WANDER_S: Final = 40.0
"""Loads and fans wander over some ten seconds, and coolers smooth that over a minute."""


@dataclass(frozen=True, slots=True, eq=False)
class RunPieces:
    """Equal parts of a run, in which it is averaged: short stretches, or high phases."""

    values: Samples
    """Mean of each; NaN where less than half is known."""
    slices: tuple[slice, ...]
    """Blocks of each."""
    block_s: float
    """Length of a block in seconds."""

    @property
    def begin_s(self) -> float:
        """Where the first begins."""
        return float(self.slices[0].start * self.block_s)

    @property
    def seconds(self) -> float:
        """How long all of them last together."""
        return float(sum(each.stop - each.start for each in self.slices) * self.block_s)

    @property
    def distance_s(self) -> float:
        """From one to the next."""
        if len(self.slices) < 2:
            return self.seconds
        between = self.slices[-1].start - self.slices[0].start
        return float(between * self.block_s / (len(self.slices) - 1))

    def from_place(self, first: int) -> "RunPieces":
        """Leave out those before."""
        return RunPieces(self.values[first:], self.slices[first:], self.block_s)

    def means_of(self, values: Samples) -> Samples:
        """Average something else over the same pieces."""
        return _means(values, self.slices)

    def settled(self, values: Samples, settling: Settling | None) -> CorrelatedEstimate:
        """Where values of the pieces settle."""
        return correlated_mean(values, usual_memory=_WANDER_S / self.distance_s, settling=settling)

    def mean_of(self, values: Samples) -> CorrelatedEstimate | None:
        """Mean of values of the pieces; None where too few are known."""
        if np.count_nonzero(np.isfinite(values)) < 4:
            return None
        return correlated_mean(values, usual_memory=_WANDER_S / self.distance_s)


def _means(values: Samples, slices: tuple[slice, ...]) -> Samples:
    """Mean over each slice; NaN where less than half is known."""
    means = np.full(len(slices), np.nan)
    for place, each in enumerate(slices):
        part = values[each]
        known = part[np.isfinite(part)]
        if known.size and known.size >= 0.5 * part.size:
            means[place] = known.mean()
    return means


def load_range(run: BlockedRun, phases: LoadPhases) -> slice:
    """Blocks under load."""
    return slice(round(phases.from_s / run.block_s), round(phases.to_s / run.block_s))


def pieces_of(run: BlockedRun, phases: LoadPhases, values: Samples) -> RunPieces:
    """Cut a run into pieces."""
    if phases.cycling:
        after_s, until_s = phases.plateau_s
        begins = np.array([begin for begin, _ in phases.cycles])
        # Cycles that were left out keep their place, so that the distances stay equal.
        places = np.round((begins - begins[0]) / phases.period_s).astype(int)
        slices = [slice(0, 0)] * (int(places[-1]) + 1)
        for place, begin in zip(places.tolist(), begins.tolist(), strict=True):
            start = round((begin + after_s) / run.block_s)
            slices[place] = slice(start, max(round((begin + until_s) / run.block_s), start + 1))
        for place, each in enumerate(slices):
            if each.stop == 0:
                slices[place] = slice(slices[place - 1].stop, slices[place - 1].stop)
    else:
        load = load_range(run, phases)
        # The block in which the load goes on or off is of both.
        start, stop = load.start + (load.start > 0), load.stop - (load.stop < values.size)
        length = max(1, (stop - start) // _PIECES)
        slices = [slice(at, at + length) for at in range(start, stop - length + 1, length)]
    if not slices:
        raise InputError("its load is over at once; let it run for longer")
    kept = tuple(slices)
    return RunPieces(_means(values, kept), kept, run.block_s)
