"""Levels in octaves and one-third octaves, in step with each other and with the broadband ones."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.signal import sosfilt

from acoustic.band_filters import HALVING_DELAY, BandFilters
from acoustic.frequency_weighting import without_denormals
from acoustic.signals import Samples
from acoustic.time_weighting import millisecond_edges

__all__ = ["BandState", "hear_bands", "start_bands"]


@dataclass(frozen=True, slots=True, eq=False)
class _StageState:
    """What one stage remembers between two blocks."""

    delays: Samples
    """Delay values of its filters, shape ``(bands, sections, channels, 2)``."""
    past: Samples
    """Last frames before the next halving, shape ``(channels, 2 * HALVING_DELAY)``."""
    squares: Samples
    """Sums of squares of the rows not delivered yet, shape ``(rows, channels, bands)``."""


@dataclass(frozen=True, slots=True, eq=False)
class BandState:
    """Everything the bands remember between two blocks: a value, never changed."""

    filters: BandFilters
    """The filters."""
    frames: int
    """Frames filtered so far."""
    rows: int
    """Rows delivered so far."""
    tail: Samples
    """Frames that do not fill a frame at the lowest rate yet, shape ``(channels, frames)``."""
    stages: tuple[_StageState, ...]
    """State of each stage."""


def start_bands(filters: BandFilters, channels: int) -> BandState:
    """Return the state of all filters at rest.

    Parameters
    ----------
    filters : BandFilters
        The filters.
    channels : int
        Number of channels.

    Returns
    -------
    BandState
        State before the first block.
    """
    return BandState(
        filters=filters,
        frames=0,
        rows=0,
        tail=np.zeros((channels, 0)),
        stages=tuple(
            _StageState(
                np.zeros((*stage.sections.shape[:2], channels, 2)),
                np.zeros((channels, 2 * HALVING_DELAY)),
                np.zeros((0, channels, len(stage.sections))),
            )
            for stage in filters.stages
        ),
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
    filters = state.filters
    sound = np.concatenate([state.tail, samples.T], axis=1)
    used = sound.shape[1] // filters.quantum * filters.quantum
    tail, sound = sound[:, used:].copy(), sound[:, :used]
    if used == 0:
        return replace(state, tail=tail), np.zeros((0, len(tail), len(filters.bands)))

    frames = state.frames + used
    # One row more than the sound reaches, so that every frame finds its row.
    last = state.rows + 2 + int((frames / filters.rate_hz * 1000.0) // 100 - state.rows)
    row_edges = millisecond_edges(filters.rate_hz, 100 * state.rows, 100 * last)[::100]

    stages, all_edges = [], []
    for stage, before in zip(filters.stages, state.stages, strict=True):
        delay = HALVING_DELAY * (2**stage.halvings - 1)
        edges = -(-(row_edges + delay) // 2**stage.halvings)
        begin = state.frames >> stage.halvings
        delays, squares = before.delays.copy(), _more_rows(before.squares, len(edges) - 1)
        held, starts = _rows_of(edges, begin, sound.shape[1])
        for band, sections in enumerate(stage.sections):
            passed, delays[band] = sosfilt(sections.copy(), sound, axis=1, zi=delays[band])
            squares[held, :, band] += np.add.reduceat(np.square(passed), starts, axis=1).T
        past = before.past
        if stage is not filters.stages[-1]:
            sound, past = _halved(sound, past, filters.halving_taps)
        stages.append(_StageState(without_denormals(delays), past, squares))
        all_edges.append(edges)
    heard = replace(state, frames=frames, tail=tail, stages=tuple(stages))
    return _deliver(heard, all_edges)


def _rows_of(
    edges: npt.NDArray[np.intp], begin: int, frames: int
) -> tuple[slice, npt.NDArray[np.intp]]:
    """Which rows `frames` frames from `begin` on belong to, and where each of these starts."""
    # The halving filters answer a little before time zero: that counts for the first row.
    firsts = np.concatenate([[min(int(edges[0]), begin)], edges[1:-1]])
    held = slice(
        int(np.searchsorted(edges[1:], begin, side="right")),
        int(np.searchsorted(firsts, begin + frames, side="left")),
    )
    return held, np.maximum(firsts[held] - begin, 0)


def _more_rows(squares: Samples, rows: int) -> Samples:
    """Append empty rows."""
    missing = np.zeros((rows - len(squares), *squares.shape[1:]))
    return np.concatenate([squares, missing])


def _halved(sound: Samples, past: Samples, taps: Samples) -> tuple[Samples, Samples]:
    """Low-pass and take every other frame; return what the next call needs as its past."""
    sound = np.concatenate([past, sound], axis=1)
    middle = sound[:, HALVING_DELAY:-HALVING_DELAY:2]
    others = [np.convolve(frames[::2], taps, "valid") for frames in sound]
    return 0.5 * middle + np.stack(others), sound[:, -2 * HALVING_DELAY :].copy()


def _deliver(state: BandState, all_edges: list[npt.NDArray[np.intp]]) -> tuple[BandState, Samples]:
    """Split off the rows that every stage has completed."""
    filters = state.filters
    complete = min(
        int(np.searchsorted(edges[1:], state.frames >> stage.halvings, side="right"))
        for stage, edges in zip(filters.stages, all_edges, strict=True)
    )
    mean_squares = np.zeros((complete, len(state.tail), len(filters.bands)))
    kept = []
    for stage, now, edges in zip(filters.stages, state.stages, all_edges, strict=True):
        counts = np.diff(edges[: complete + 1])[:, None, None]
        mean_squares[:, :, stage.bands] = now.squares[:complete] / counts
        kept.append(replace(now, squares=now.squares[complete:]))
    return replace(state, rows=state.rows + complete, stages=tuple(kept)), mean_squares
