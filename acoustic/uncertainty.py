"""Standard error of the mean of levels that hunt.

A fan's level wanders by tenths of a decibel over seconds, so neighbouring seconds say nearly the
same thing and the usual "deviation over root n" promises too much. Here the levels of 1 s blocks
are a slow first-order (AR(1)) wander plus white noise; how large and how slow the wander is stays
open and is averaged over, with what earlier listening to the same cooler has shown.
"""

from dataclasses import dataclass, field
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from acoustic.decibels import energy_mean_db
from acoustic.errors import SignalError
from acoustic.signals import Samples

__all__ = ["BLOCK_INTERVALS", "CorrelatedMean", "HuntingKnowledge", "LevelBlocks"]

BLOCK_INTERVALS: Final = 10
"""Number of 100 ms intervals in a block: 1 s."""
_MIN_VALID_INTERVALS: Final = 4
"""A block with fewer usable intervals is left out."""
_STRETCH_BLOCKS: Final = 60
"""Blocks whose correlation is followed in one piece: one minute."""

_WANDER_SD_DB: Final = np.array([0.02, 0.06, 0.1, 0.15, 0.2, 0.27, 0.36, 0.5, 0.7, 1.0])
"""Candidate sizes of the wander, from a still bearing to a badly hunting control loop."""
_WANDER_TAU_S: Final = np.array([0.6, 1.2, 2.4, 4.0, 7.0])
"""Candidate time constants of the wander."""
_PRIOR_SD_DB: Final = 0.25
"""Most fans hunt by about this much."""
_PRIOR_RATIO: Final = 1.6
"""One standard deviation of the prior. Without it a few seconds of a slow wander, which look
still, would count as proof that nothing wanders."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelBlocks:
    """Levels of 1 s blocks with their white noise."""

    levels_db: Samples
    """Energy mean of the usable intervals of each block in dB, shape ``(blocks,)``."""
    white_sd_db: Samples
    """White noise of each, in dB, same shape."""
    index: npt.NDArray[np.int_]
    """Which second of the listening each block is, same shape."""

    @classmethod
    def from_intervals(
        cls, levels_db: Samples, usable: npt.NDArray[np.bool_], white_sd_db: float
    ) -> Self:
        """Gather 100 ms levels into 1 s blocks.

        Parameters
        ----------
        levels_db : ndarray of float64, shape (intervals,)
            Levels in dB of consecutive 100 ms intervals.
        usable : ndarray of bool, shape (intervals,)
            Which of them count.
        white_sd_db : float
            White noise of one interval, in dB.

        Returns
        -------
        LevelBlocks
            Blocks with at least four usable intervals, an incomplete last one included.
        """
        kept_levels, kept_sd, kept_index = [], [], []
        for start in range(0, levels_db.size, BLOCK_INTERVALS):
            block = levels_db[start : start + BLOCK_INTERVALS]
            good = block[usable[start : start + BLOCK_INTERVALS]]
            if good.size >= _MIN_VALID_INTERVALS:
                kept_levels.append(energy_mean_db(good))
                kept_sd.append(white_sd_db / np.sqrt(good.size))
                kept_index.append(start // BLOCK_INTERVALS)
        return cls(
            np.array(kept_levels, dtype=np.float64),
            np.array(kept_sd, dtype=np.float64),
            np.array(kept_index, dtype=np.int_),
        )


@dataclass(frozen=True, slots=True)
class CorrelatedMean:
    """Mean of a hunting level."""

    mean_db: float
    """Estimate of the long-term level in dB."""
    standard_error_db: float
    """Its standard error in dB."""
    wander_sd_db: float
    """How much the level hunts, as far as is known, in dB."""
    effective_blocks: float
    """How many independent 1 s blocks the listening was worth."""


def _block_kernel() -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Variance and first neighbour covariance of 1 s averages of a unit wander, for each tau."""
    ratio = 1.0 / _WANDER_TAU_S
    decay = np.exp(-ratio)
    variance = 2.0 * (ratio - 1.0 + decay) / ratio**2
    neighbour = (1.0 - decay) ** 2 / ratio**2
    return variance, neighbour


_KERNEL_VARIANCE, _KERNEL_NEIGHBOUR = _block_kernel()


def _wander_covariance(index: npt.NDArray[np.int_]) -> npt.NDArray[np.float64]:
    """Covariance of the wander between blocks, shape (sizes, time constants, blocks, blocks)."""
    lag = np.abs(index[:, None] - index[None, :])
    shape = np.where(
        lag[None] == 0,
        _KERNEL_VARIANCE[:, None, None],
        _KERNEL_NEIGHBOUR[:, None, None]
        * np.exp(-(np.maximum(lag[None], 1) - 1) / _WANDER_TAU_S[:, None, None]),
    )
    covariance: npt.NDArray[np.float64] = _WANDER_SD_DB[:, None, None, None] ** 2 * shape[None]
    return covariance


def _prior_log_weight() -> npt.NDArray[np.float64]:
    """Prior over the grid, shape (sizes, time constants)."""
    by_size = -0.5 * (np.log(_WANDER_SD_DB / _PRIOR_SD_DB) / np.log(_PRIOR_RATIO)) ** 2
    return np.repeat(by_size[:, None], _WANDER_TAU_S.size, axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class HuntingKnowledge:
    """What is known of the size and the speed of a cooler's hunting: a grid of log weights."""

    log_weight: npt.NDArray[np.float64] = field(default_factory=_prior_log_weight)
    """Log weight of each (size, time constant), shape ``(sizes, time constants)``."""

    def _solve(
        self, blocks: LevelBlocks
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Mean, variance of the mean and log likelihood for every cell of the grid."""
        # Centred, so that the misfit is no difference of large numbers.
        centre = float(blocks.levels_db.mean())
        information, projection, square, log_determinant = np.zeros((4, *self.log_weight.shape))
        # Stretches far longer than the wander count as independent: one hour in one piece would
        # need gigabytes.
        for start in range(0, blocks.levels_db.size, _STRETCH_BLOCKS):
            part = slice(start, start + _STRETCH_BLOCKS)
            covariance = _wander_covariance(blocks.index[part])
            # A floor of 0.005 dB keeps a noise-free simulation solvable.
            covariance = covariance + np.diag(np.maximum(blocks.white_sd_db[part], 0.005) ** 2)
            factor = np.linalg.cholesky(covariance)
            levels = blocks.levels_db[part] - centre
            right = np.stack([np.ones_like(levels), levels], axis=-1)
            half = np.linalg.solve(
                factor, np.broadcast_to(right, (*factor.shape[:2], *right.shape))
            )
            information += (half[..., 0] ** 2).sum(-1)
            projection += (half[..., 0] * half[..., 1]).sum(-1)
            square += (half[..., 1] ** 2).sum(-1)
            log_determinant += 2.0 * np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(-1)
        mean = projection / information
        misfit = square - projection * mean
        log_likelihood = -0.5 * (misfit + log_determinant + np.log(information))
        return centre + mean, 1.0 / information, log_likelihood

    def learn(self, blocks: LevelBlocks) -> "HuntingKnowledge":
        """Add what one stretch of listening says about the hunting.

        Parameters
        ----------
        blocks : LevelBlocks
            Blocks of one setting; fewer than two teach nothing.

        Returns
        -------
        HuntingKnowledge
            The knowledge after it.
        """
        if blocks.levels_db.size < 2:
            return self
        log_weight = self.log_weight + self._solve(blocks)[2]
        return HuntingKnowledge(log_weight - log_weight.max())

    def mean(self, blocks: LevelBlocks) -> CorrelatedMean:
        """Mean of one stretch of listening, with a standard error that holds.

        Parameters
        ----------
        blocks : LevelBlocks
            Blocks of one setting, at least one.

        Returns
        -------
        CorrelatedMean
            Generalised least-squares mean, averaged over size and speed of the hunting.

        Raises
        ------
        SignalError
            If there is no block.
        """
        if blocks.levels_db.size == 0:
            raise SignalError("There is no usable second to take a mean of; listen longer.")
        means, variances, log_likelihood = self._solve(blocks)
        weight = np.exp(self.log_weight + log_likelihood - (self.log_weight + log_likelihood).max())
        weight /= weight.sum()
        mean = float((weight * means).sum())
        variance = float((weight * (variances + (means - mean) ** 2)).sum())
        wander_variance = float((weight * _WANDER_SD_DB[:, None] ** 2).sum())
        block_variance = wander_variance + float(np.mean(blocks.white_sd_db**2))
        return CorrelatedMean(
            mean_db=mean,
            standard_error_db=float(np.sqrt(variance)),
            wander_sd_db=float(np.sqrt(wander_variance)),
            effective_blocks=min(block_variance / variance, float(blocks.levels_db.size)),
        )
