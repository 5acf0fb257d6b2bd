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

__all__ = [
    "CorrelatedFit",
    "CorrelatedMean",
    "HuntingKnowledge",
    "LevelBlocks",
]

_BLOCK_INTERVALS: Final = 10
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
        seconds = -(-levels_db.size // _BLOCK_INTERVALS)
        counts = [np.count_nonzero(usable[_second(number)]) for number in range(seconds)]
        index = np.flatnonzero(np.array(counts, dtype=np.int_) >= _MIN_VALID_INTERVALS)
        good = [levels_db[_second(number)][usable[_second(number)]] for number in index.tolist()]
        return cls(
            np.array([energy_mean_db(levels) for levels in good], dtype=np.float64),
            np.array([white_sd_db / np.sqrt(levels.size) for levels in good], dtype=np.float64),
            index,
        )

    def averages_of(self, courses: Samples, usable: npt.NDArray[np.bool_]) -> Samples:
        """Average courses over what counts in each block.

        Parameters
        ----------
        courses : ndarray of float64, shape (intervals, courses)
            Courses over the intervals that the blocks were gathered from.
        usable : ndarray of bool, shape (intervals,)
            Which intervals counted.

        Returns
        -------
        ndarray of float64, shape (blocks, courses)
            Their means.
        """
        averages = np.zeros((self.index.size, courses.shape[1]))
        for row, number in enumerate(self.index.tolist()):
            averages[row] = courses[_second(number)][usable[_second(number)]].mean(axis=0)
        return averages


def _second(number: int) -> slice:
    """Which intervals a second holds."""
    return slice(number * _BLOCK_INTERVALS, (number + 1) * _BLOCK_INTERVALS)


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


@dataclass(frozen=True, slots=True, eq=False)
class CorrelatedFit:
    """A hunting level fitted with courses of known shape, such as a trend or a beat."""

    coefficients_db: Samples
    """Long-term level in dB where all courses are zero, then the size of each course in dB; shape
    ``(1 + courses,)``."""
    covariance_db2: Samples
    """Covariance of these in dB^2, shape ``(1 + courses, 1 + courses)``."""
    wander_sd_db: float
    """How much the level hunts beside them, as far as is known, in dB."""

    def mean(self, blocks: LevelBlocks, *, more_variance_db2: float = 0.0) -> CorrelatedMean:
        """Long-term level, and how sure it is.

        Parameters
        ----------
        blocks : LevelBlocks
            The blocks that were fitted.
        more_variance_db2 : float, optional
            Variance of the level from what the fit does not know of, in dB^2.

        Returns
        -------
        CorrelatedMean
            The level where all courses are zero.
        """
        variance = float(self.covariance_db2[0, 0]) + more_variance_db2
        block_variance = self.wander_sd_db**2 + float(np.mean(blocks.white_sd_db**2))
        return CorrelatedMean(
            mean_db=float(self.coefficients_db[0]),
            standard_error_db=float(np.sqrt(variance)),
            wander_sd_db=self.wander_sd_db,
            effective_blocks=min(block_variance / variance, float(blocks.levels_db.size)),
        )


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

    def _solve(self, blocks: LevelBlocks, courses: Samples) -> tuple[Samples, Samples, Samples]:
        """Coefficients, their covariance and the log likelihood for every cell of the grid."""
        # Centred, so that the misfit is no difference of large numbers.
        centre = float(blocks.levels_db.mean())
        count = 1 + courses.shape[1]
        given = np.column_stack([np.ones(len(courses)), courses, blocks.levels_db - centre])
        products = np.zeros((*self.log_weight.shape, count + 1, count + 1))
        log_determinant = np.zeros(self.log_weight.shape)
        # Stretches far longer than the wander count as independent: one hour in one piece would
        # need gigabytes.
        for start in range(0, blocks.levels_db.size, _STRETCH_BLOCKS):
            part = slice(start, start + _STRETCH_BLOCKS)
            covariance = _wander_covariance(blocks.index[part])
            # A floor of 0.005 dB keeps a noise-free simulation solvable.
            covariance = covariance + np.diag(np.maximum(blocks.white_sd_db[part], 0.005) ** 2)
            factor = np.linalg.cholesky(covariance)
            right = given[part]
            half = np.linalg.solve(
                factor, np.broadcast_to(right, (*factor.shape[:2], *right.shape))
            )
            products += np.swapaxes(half, -1, -2) @ half
            log_determinant += 2.0 * np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(-1)
        information, projection = products[..., :count, :count], products[..., :count, count]
        coefficients = np.linalg.solve(information, projection[..., None])[..., 0]
        misfit = products[..., count, count] - (projection * coefficients).sum(-1)
        log_information = np.linalg.slogdet(information)[1]
        log_likelihood = -0.5 * (misfit + log_determinant + log_information)
        coefficients[..., 0] += centre
        return coefficients, np.linalg.inv(information), log_likelihood

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
        log_weight = self.log_weight + self._solve(blocks, _no_courses(blocks))[2]
        return HuntingKnowledge(log_weight - log_weight.max())

    def fit(self, blocks: LevelBlocks, courses: Samples) -> CorrelatedFit:
        """Level of one stretch of listening beside courses whose shape is known.

        Parameters
        ----------
        blocks : LevelBlocks
            Blocks of one setting, more than there are courses.
        courses : ndarray of float64, shape (blocks, courses)
            Shape of each course over the blocks; they and a constant must not be one another's
            sums.

        Returns
        -------
        CorrelatedFit
            Generalised least squares, averaged over size and speed of the hunting.

        Raises
        ------
        SignalError
            If there are too few blocks.
        """
        if blocks.levels_db.size <= courses.shape[1]:
            raise SignalError(
                f"{blocks.levels_db.size} usable seconds are too few for "
                f"{1 + courses.shape[1]} unknowns; listen longer."
            )
        coefficients, covariance, log_likelihood = self._solve(blocks, courses)
        weight = np.exp(self.log_weight + log_likelihood - (self.log_weight + log_likelihood).max())
        weight /= weight.sum()
        middle = np.tensordot(weight, coefficients, axes=2)
        apart = coefficients - middle
        scatter = covariance + apart[..., :, None] * apart[..., None, :]
        wander_variance = float((weight * _WANDER_SD_DB[:, None] ** 2).sum())
        return CorrelatedFit(
            coefficients_db=middle,
            covariance_db2=np.tensordot(weight, scatter, axes=2),
            wander_sd_db=float(np.sqrt(wander_variance)),
        )

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
        return self.fit(blocks, _no_courses(blocks)).mean(blocks)


def _no_courses(blocks: LevelBlocks) -> Samples:
    """Nothing beside the level and its hunting."""
    return np.zeros((blocks.levels_db.size, 0))
