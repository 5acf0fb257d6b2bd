"""Mean of a series whose neighbours say nearly the same, with an interval that holds.

Temperatures wander over minutes with the load, the room and the fans. "Deviation over root n"
would make an interval of a hundredth of a kelvin of a run that comes out a quarter of a kelvin
elsewhere next time. Here the series is a first-order wander plus white noise, of a size and a pace
that are averaged over by how well they explain it; what is left of a warm-up is fitted with it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import stdtr

from acoustic.errors import InputError
from acoustic.signals import Samples

__all__ = ["CorrelatedEstimate", "Settling", "correlated_mean", "resolution_uncertainty"]

_SHARES: Final = np.array([0.15, 0.4, 0.7, 0.9, 0.97, 1.0])
"""Candidate shares of the wander in the variance."""
_SETTLING: Final = np.array([0.5, 0.75, 1.0, 1.5, 2.5])
"""Candidate time constants of what is left of a warm-up, over the one given."""
_PACE_FACTOR: Final = 4.0
"""One standard deviation of the prior of the wander's pace, as a factor."""
_WHITE: Final = 0.3
"""Prior weight of there being no wander, over that of there being one."""
_FEWEST: Final = 4
"""With fewer values nothing can be said of their correlation."""


@dataclass(frozen=True, slots=True)
class CorrelatedEstimate:
    """A mean and how sure it is."""

    mean: float
    """Where the series settles, in its own unit."""
    U95: float
    """Half-width of the 95 % interval, in its own unit."""
    correlation: float
    """How many values the wander takes to forget itself; 0 where it is white."""
    left: float
    """What is left of the settling at the end of the series: last value expected less `mean`."""

    @property
    def standard_uncertainty(self) -> float:
        """Half of `U95`."""
        return self.U95 / 2.0


@dataclass(frozen=True, slots=True)
class Settling:
    """What may be left of a warm-up at the start of a series."""

    size: float
    """Its standard deviation, in the unit of the series."""
    memory: float
    """Its time constant, in values of the series; right within a factor of two."""


def correlated_mean(
    values: Samples, *, usual_memory: float, settling: Settling | None = None
) -> CorrelatedEstimate:
    """Where a series settles.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Values at equal distances; NaN where one is missing.
    usual_memory : float
        How many values such a wander usually takes to forget itself, within a factor of four.
    settling : Settling, optional
        How the series may still be settling at its start; by default it has settled.

    Returns
    -------
    CorrelatedEstimate
        The mean, or with `settling` the value that the series goes to.

    Raises
    ------
    InputError
        If there are fewer than four values.

    Notes
    -----
    First-order wander plus white noise, over a grid of share and correlation; flat prior of the
    mean, Jeffreys' of the scale, normal of what is left of the settling. The interval is that of
    the mixture of Student's distributions.

    Examples
    --------
    >>> drawn = np.random.default_rng(1).standard_normal(100)
    >>> found = correlated_mean(5.0 + drawn, usual_memory=1.0)
    >>> abs(found.mean - 5.0) < found.U95 < 0.5
    True
    """
    known = np.isfinite(values)
    count = int(np.count_nonzero(known))
    if count < _FEWEST:
        raise InputError(
            f"{count} values are too few for a mean with an interval; {_FEWEST} are needed."
        )
    centre = float(np.mean(values[known]))
    spread = float(np.std(values[known]))
    if spread < 1e-9 * max(1.0, abs(centre)):
        return CorrelatedEstimate(centre, 0.0, 0.0, 0.0)
    constants = np.zeros(0) if settling is None else settling.memory * _SETTLING
    courses = np.exp(-np.arange(values.size)[:, None] / constants)
    right = np.nan_to_num((values - centre) / spread)
    grid = _grid(values.size, usual_memory)
    log_determinant, products = _whitened(
        np.column_stack([np.ones(values.size), courses, right]), known, grid
    )
    cells = _solved(
        grid.log_prior - 0.5 * log_determinant,
        products,
        count,
        (0.0 if settling is None else settling.size / spread, np.exp(-values.size / constants)),
    )
    weight = np.exp(cells.log_weight - cells.log_weight.max())
    weight /= weight.sum()
    middle = float((weight * cells.mean).sum())
    half = _half_width(cells, weight, middle, count - 1.0)
    return CorrelatedEstimate(
        mean=centre + spread * middle,
        U95=spread * half,
        correlation=float((weight.sum(axis=1) * grid.memory).sum()),
        left=spread * float((weight * cells.left).sum()),
    )


def resolution_uncertainty(step: float, spread: float) -> float:
    """Standard uncertainty of a mean that was read in steps.

    Parameters
    ----------
    step : float
        Step of the reading.
    spread : float
        Standard deviation of what is read, in the same unit.

    Returns
    -------
    float
        In the same unit; far below the step where the reading moves over several of them.

    Notes
    -----
    The mean of a rounded normal variable is off by up to ``step/pi exp(-2 pi^2 (spread/step)^2)``,
    as a sine of where between two steps it lies.
    """
    if step <= 0.0:
        return 0.0
    return float(step / np.pi / np.sqrt(2.0) * np.exp(-2.0 * (np.pi * spread / step) ** 2))


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Candidates of the wander; arrays of shape ``(candidates,)``."""

    memory: Samples
    share: Samples
    log_prior: Samples


def _grid(count: int, usual_memory: float) -> _Grid:
    """Make the candidates for a series; the last one is white."""
    longest = max(count / 2.0, 2.0)
    memory, share = np.meshgrid(np.geomspace(0.2, longest, 12), _SHARES, indexing="ij")
    usual = min(usual_memory, longest)
    prior = -0.5 * (np.log(memory / usual) / np.log(_PACE_FACTOR)) ** 2
    prior -= np.log(np.exp(prior).sum())
    return _Grid(
        np.append(memory.ravel(), 0.0),
        np.append(share.ravel(), 0.0),
        np.append(prior.ravel(), np.log(_WHITE)),
    )


def _whitened(given: Samples, known: np.ndarray, grid: _Grid) -> tuple[Samples, Samples]:
    """Log determinants, and products of the columns without their correlation."""
    share = grid.share
    decay = np.exp(-1.0 / np.maximum(grid.memory, 1e-3))
    expected = np.zeros((share.size, given.shape[1]))
    variance = share.copy()
    log_determinant = np.zeros(share.size)
    products = np.zeros((share.size, given.shape[1], given.shape[1]))
    white = 1.0 - share + 1e-9
    fresh = share * (1.0 - decay**2)
    for row, there in zip(given, known.tolist(), strict=True):
        if there:
            total = variance + white
            gain = variance / total
            surprise = row - expected
            log_determinant += np.log(total)
            products += surprise[:, :, None] * (surprise / total[:, None])[:, None, :]
            expected = expected + gain[:, None] * surprise
            variance = variance * (1.0 - gain)
        expected = decay[:, None] * expected
        variance = decay**2 * variance + fresh
    return log_determinant, products


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """The mean under every candidate; arrays of shape ``(wander, settling)``."""

    mean: Samples
    scale: Samples
    left: Samples
    log_weight: Samples


def _solved(
    log_weight: Samples, products: Samples, count: int, settling: tuple[float, Samples]
) -> _Cells:
    """Solve for the mean, with each candidate of the settling in turn."""
    size, left_at_end = settling
    last = products.shape[1] - 1
    cells = []
    for course in range(1, last) if last > 1 else [0]:
        chosen = [0, course, last] if course else [0, last]
        normal = products[np.ix_(range(len(products)), chosen, chosen)].copy()
        if course:
            # As one more observation of the settling, as wide as it may be.
            normal[:, 1, 1] += 1.0 / size**2
        matrix, right = normal[:, :-1, :-1], normal[:, :-1, -1]
        inverse = np.linalg.inv(matrix)
        coefficients = (inverse @ right[:, :, None])[:, :, 0]
        misfit = normal[:, -1, -1] - (coefficients * right).sum(axis=1)
        scale2 = np.maximum(misfit, 1e-12) / (count - 1)
        evidence = -0.5 * (np.linalg.slogdet(matrix)[1] + (count - 1) * np.log(scale2))
        left = coefficients[:, -1] * (left_at_end[course - 1] if course else 0.0)
        cells.append(
            (coefficients[:, 0], np.sqrt(inverse[:, 0, 0] * scale2), left, log_weight + evidence)
        )
    return _Cells(*(np.column_stack(part) for part in zip(*cells, strict=True)))


def _half_width(cells: _Cells, weight: Samples, middle: float, freedom: float) -> float:
    """Half-width that holds 95 % of the mixture, by bisection."""
    low, high = 0.0, float(50.0 * (cells.scale.max() + np.abs(cells.mean - middle).max()))
    for _ in range(40):
        half = (low + high) / 2.0
        inside = stdtr(freedom, (middle + half - cells.mean) / cells.scale) - stdtr(
            freedom, (middle - half - cells.mean) / cells.scale
        )
        if float((weight * inside).sum()) < 0.95:
            low = half
        else:
            high = half
    return high
