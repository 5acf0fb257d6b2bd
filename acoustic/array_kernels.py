"""The inner loops of the chain with NumPy and SciPy alone.

A recursive filter is a loop over frames, which arrays cannot do. But it is linear: with the sound
cut into short blocks, what a block gives is a matrix times its frames plus a matrix times what the
filter remembered before it. So the frames of many blocks are filtered into all bands of a stage by
a few matrix products, and only the memories have to be found one from another; they are those of
one-pole filters (partial fractions), whose sums over all earlier blocks take a few doublings.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import toeplitz
from scipy.signal import lfilter

from acoustic.band_filters import HALVING_DELAY, BandFilters, BandStage
from acoustic.frequency_weighting import WeightingState, weigh, without_denormals
from acoustic.kernels import BandMemory, Frames, MillisecondSums
from acoustic.signals import Samples
from acoustic.time_weighting import exponential_average

__all__ = [
    "SAMPLES_AT_ONCE",
    "bands_at_rest",
    "exponential_average",
    "sum_bands",
    "sum_weighted",
]

SAMPLES_AT_ONCE: Final = 2**19
"""See `acoustic.kernels.Kernels`."""

_BLOCK = 32
"""Frames in a block: fewer make more memories to find, more make larger matrices."""
_BLOCKS_AT_ONCE = 128
"""Blocks in a matrix product: more, and the library would wake its threads for it."""
_VALUES_AT_ONCE = 65_536
"""Frames times bands that are filtered in one go: they stay in the processor's cache."""
_FORGOTTEN = 1e-20
"""Share of an earlier memory that no longer counts, 400 dB down."""

Memories = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class _BlockForm:
    """The filters of a stage as matrices for blocks; a memory is one of each pair of poles."""

    direct: Samples
    """Frames of a block to what they give in it, shape ``(bands, 1, block, block)``."""
    ringing: Samples
    """Memories before a block to what they give in it, shape ``(bands, 1, 2 * pairs, block)``."""
    gathering: Samples
    """Frames of a block to what they add to memories, shape ``(block, 2 * bands * pairs)``."""
    poles: Memories
    """What a frame leaves of each memory, shape ``(bands * pairs,)``."""
    doublings: tuple[Memories, ...]
    """What 1, 2, 4, … blocks leave of each memory, while it counts."""


def sum_weighted(
    state: WeightingState, samples: Samples, edges: Frames
) -> tuple[WeightingState, MillisecondSums]:
    """See `acoustic.kernels.Kernels`."""
    pole = state.filters.Z_pole
    gain = (1 + pole) / 2
    Z, Z_delay = lfilter([gain, -gain], [1.0, -pole], samples, axis=0, zi=state.Z)
    A, C, state = weigh(state, samples)
    starts = edges[:-1]
    sums = MillisecondSums(
        A_squares=np.add.reduceat(np.square(A), starts, axis=0),
        C_squares=np.add.reduceat(np.square(C), starts, axis=0),
        Z_squares=np.add.reduceat(np.square(Z), starts, axis=0),
        C_peak=np.maximum.reduceat(np.abs(C), starts, axis=0),
    )
    return replace(state, Z=without_denormals(Z_delay)), sums


def bands_at_rest(filters: BandFilters, channels: int) -> BandMemory:
    """See `acoustic.kernels.Kernels`."""
    pasts = [np.zeros((channels, 2 * HALVING_DELAY)) for _ in filters.stages]
    pairs = [stage.sections.shape[0] * stage.sections.shape[1] for stage in filters.stages]
    return (*pasts, *(np.zeros((channels, count), np.complex128) for count in pairs))


def sum_bands(
    filters: BandFilters, memory: BandMemory, sound: Samples, edges: Frames
) -> tuple[BandMemory, Samples]:
    """See `acoustic.kernels.Kernels`."""
    stages = len(filters.stages)
    pasts, memories = list(memory[:stages]), list(memory[stages:])
    squares = np.zeros((edges.shape[1] - 1, len(sound), len(filters.bands)))
    for number, stage in enumerate(filters.stages):
        if len(stage.sections):
            memories[number] = _sum_stage(
                stage, memories[number], sound, edges[number], squares[:, :, stage.bands]
            )
        if number + 1 < stages:
            longer = np.concatenate([pasts[number], sound], axis=1)
            pasts[number] = longer[:, -2 * HALVING_DELAY :].copy()
            sound = _halved(longer, filters)
    return (*pasts, *memories), squares


def _halved(sound: Samples, filters: BandFilters) -> Samples:
    """Low-pass and take every other frame; the past that the filter needs comes first."""
    halves: Samples = 0.5 * sound[:, HALVING_DELAY:-HALVING_DELAY:2]
    first, second = _halving_form(filters)
    groups = -(-halves.shape[1] // (_BLOCK * _BLOCKS_AT_ONCE))
    each = -(-halves.shape[1] // (_BLOCK * groups))
    evens = np.zeros((groups * each + 1) * _BLOCK)
    for channel, frames in enumerate(sound):
        evens[: (len(frames) + 1) // 2] = frames[::2]
        summed = evens[:-_BLOCK].reshape(groups, each, _BLOCK) @ first
        summed += evens[_BLOCK:].reshape(groups, each, _BLOCK) @ second
        halves[channel] += summed.ravel()[: halves.shape[1]]
    return halves


@lru_cache(maxsize=32)
def _halving_form(filters: BandFilters) -> tuple[Samples, Samples]:
    """Turn taps into what a block, and the one after it, add to sums over neighbouring frames."""
    column = np.zeros(2 * _BLOCK)
    column[: len(filters.halving_taps)] = filters.halving_taps
    both = toeplitz(column, np.zeros(_BLOCK))
    return both[:_BLOCK].copy(), both[_BLOCK:].copy()


def _sum_stage(
    stage: BandStage, before: Memories, sound: Samples, edges: Frames, squares: Samples
) -> Memories:
    """Filter into the bands of one stage; return its memories, add to the squares of all rows."""
    form = _block_form(stage)
    memories = before.copy()
    at_once = _VALUES_AT_ONCE // len(stage.sections)
    for first in range(0, sound.shape[1], at_once):
        last = min(first + at_once, sound.shape[1])
        rows = slice(
            int(edges.searchsorted(first, side="right")) - 1, int(edges.searchsorted(last))
        )
        starts = np.maximum(edges[rows] - first, 0)
        for channel in range(len(sound)):
            bands, memories[channel] = _filtered(
                form, memories[channel], sound[channel, first:last]
            )
            np.square(bands, out=bands)
            surplus = bands.shape[1] - (last - first)
            squares[rows, channel] += np.add.reduceat(bands, starts + surplus, axis=1).T
    return without_denormals(memories.view(np.float64)).view(np.complex128)


def _filtered(form: _BlockForm, before: Memories, frames: Samples) -> tuple[Samples, Memories]:
    """Filter one channel; return bands with some frames too many in front, and the memories."""
    groups = -(-len(frames) // (_BLOCK * _BLOCKS_AT_ONCE))
    each = -(-len(frames) // (_BLOCK * groups))
    blocks = groups * each
    # Silence in front makes the blocks whole. In it, what is remembered has to grow to what it is
    # when the sound begins.
    silent_blocks, silent_frames = divmod(blocks * _BLOCK - len(frames), _BLOCK)
    padded = np.zeros(blocks * _BLOCK)
    padded[-len(frames) :] = frames
    sound = padded.reshape(groups, each, _BLOCK)

    # Row k becomes the memories before block k, the last those after all.
    memories = np.zeros((blocks + 1, len(form.poles)), np.complex128)
    np.matmul(sound, form.gathering, out=memories[1:].view(np.float64).reshape(groups, each, -1))
    memories[silent_blocks] += before * form.poles**-silent_frames
    for doubling, left in enumerate(form.doublings):
        if (distance := 2**doubling) > blocks:
            break
        memories[distance:] += left * memories[:-distance]

    bands = np.matmul(sound, form.direct)
    parts = memories[:-1].view(np.float64).reshape(groups, each, len(form.direct), -1)
    bands += np.matmul(parts.transpose(2, 0, 1, 3), form.ringing)
    return bands.reshape(len(form.direct), -1), memories[-1]


@lru_cache(maxsize=256)
def _block_form(stage: BandStage) -> _BlockForm:
    """Turn second-order sections into partial fractions, and these into matrices."""
    b, a = stage.sections[..., :3], stage.sections[..., 4:]
    poles = -a[..., 0] / 2 + 1j * np.sqrt(a[..., 1] - np.square(a[..., 0]) / 4)
    powers = poles[..., None, None] ** np.array([2, 1, 0])
    # At each pole, all sections' numerators, and the denominators of all sections but its own.
    numerators = (powers * b[:, None]).sum(axis=-1)
    denominators = (powers[..., 1:] * a[:, None]).sum(axis=-1) + powers[..., 0]
    own = np.arange(poles.shape[1])
    denominators[:, own, own] = 2j * poles.imag
    residues = 2 * (numerators / denominators).prod(axis=-1)

    decays = poles[..., None] ** np.arange(_BLOCK)
    ringing = residues[..., None] * decays
    impulse = np.zeros((len(b), _BLOCK))
    impulse[:, 0] = b[..., 0].prod(axis=-1)
    impulse[:, 1:] = ringing.real.sum(axis=1)[:, :-1]
    gathering = decays[..., ::-1].reshape(-1, _BLOCK).T
    doublings = [poles.ravel() ** _BLOCK]
    while np.abs(doublings[-1]).max() > _FORGOTTEN:
        doublings.append(np.square(doublings[-1]))
    return _BlockForm(
        direct=np.stack([toeplitz(response, 0 * response).T for response in impulse])[:, None],
        ringing=np.stack([ringing.real, -ringing.imag], axis=2).reshape(len(b), 1, -1, _BLOCK),
        gathering=np.stack([gathering.real, gathering.imag], axis=-1).reshape(_BLOCK, -1),
        poles=poles.ravel(),
        doublings=tuple(doublings),
    )
