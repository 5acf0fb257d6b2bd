"""Levels in octaves and one-third octaves, in step with each other and with the broadband ones."""

from dataclasses import dataclass, replace

import numpy as np

from acoustic import array_kernels
from acoustic.band_filters import HALVING_DELAY, BandFilters
from acoustic.kernels import BandMemory, Frames, Kernels
from acoustic.signals import Samples
from acoustic.time_weighting import millisecond_edges

__all__ = ["BandState", "hear_bands", "start_bands"]


@dataclass(frozen=True, slots=True, eq=False)
class BandState:
    """Everything the bands remember between two blocks: a value, never changed."""

    filters: BandFilters
    """The filters."""
    kernels: Kernels
    """What filters."""
    frames: int
    """Frames filtered so far."""
    rows: int
    """Rows delivered so far."""
    tail: Samples
    """Frames that do not fill a frame at the lowest rate yet, shape ``(channels, frames)``."""
    memory: BandMemory
    """What the filters remember."""
    squares: Samples
    """Sums of squares of the rows not delivered yet, shape ``(rows, channels, bands)``."""


def start_bands(
    filters: BandFilters, channels: int, *, kernels: Kernels = array_kernels
) -> BandState:
    """Return the state of all filters at rest.

    Parameters
    ----------
    filters : BandFilters
        The filters.
    channels : int
        Number of channels.
    kernels : Kernels, optional
        What filters; by default NumPy.

    Returns
    -------
    BandState
        State before the first block.
    """
    return BandState(
        filters=filters,
        kernels=kernels,
        frames=0,
        rows=0,
        tail=np.zeros((channels, 0)),
        memory=kernels.bands_at_rest(filters, channels),
        squares=np.zeros((0, channels, len(filters.bands))),
    )


def hear_bands(state: BandState, samples: Samples) -> tuple[BandState, Samples]:
    """Filter one block into bands, and average over rows of 100 ms.

    Parameters
    ----------
    state : BandState
        State after the block before, or from `start_bands`; it is not changed.
    samples : ndarray of shape (frames, channels)
        The block in Pa, any number of frames.

    Returns
    -------
    state : BandState
        State for the next block.
    mean_squares : ndarray of shape (rows, channels, bands)
        Mean square in Pa^2 of every row that all bands completed.

    Notes
    -----
    A halving delays its bands. A frame that was halved k times counts for the row in which the
    middle of the halving filters lay, so all bands of a row belong to the same 100 ms; the row is
    delivered when the lowest stage has it, `BandFilters.delay_frames` and less than two quanta
    after its end.
    """
    filters, kernels = state.filters, state.kernels
    sound = samples.T
    if state.tail.size:
        sound = np.concatenate([state.tail, sound], axis=1)
    used = sound.shape[1] // filters.quantum * filters.quantum
    sound, tail = sound[:, :used], sound[:, used:].copy()
    if used == 0:
        return replace(state, tail=tail), np.zeros((0, len(sound), len(filters.bands)))

    halvings = np.arange(len(filters.stages))[:, None]
    edges = _row_edges(state, used)
    begins, ends = state.frames >> halvings, (state.frames + used) >> halvings
    # The halving filters answer a little before time zero: that counts for the first row.
    in_block = np.clip(edges, begins, ends) - begins
    in_block[:, 0] = 0
    memory, squares = kernels.sum_bands(filters, state.memory, sound, in_block)
    squares[: len(state.squares)] += state.squares
    complete = int(np.count_nonzero((edges[:, 1:] <= ends).all(axis=0)))
    heard = BandState(
        filters=filters,
        kernels=kernels,
        frames=state.frames + used,
        rows=state.rows + complete,
        tail=tail,
        memory=memory,
        squares=squares[complete:],
    )
    frames = np.diff(edges[:, : complete + 1])[filters.stage_of_band].T
    return heard, squares[:complete] / frames[:, None, :]


def _row_edges(state: BandState, used: int) -> Frames:
    """Edges of the rows that the next `used` frames may reach, in frames of each stage."""
    filters = state.filters
    # One row more than the sound reaches, so that every frame finds its row.
    last = int((state.frames + used) / filters.rate_hz * 1000.0) // 100 + 2
    edges = millisecond_edges(filters.rate_hz, 100 * state.rows, 100 * last, 100)
    halvings = np.arange(len(filters.stages))[:, None]
    return -(-(edges + HALVING_DELAY * ((1 << halvings) - 1)) >> halvings)
