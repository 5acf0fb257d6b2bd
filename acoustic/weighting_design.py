"""Design of the digital A- and C-weighting filters.

The poles at 20.6, 107.7 and 737.9 Hz and the zeros at 0 Hz lie so low that the matched
z-transform renders them almost exactly. Only the two poles at 12.2 kHz suffer from sampling, so
only they are fitted: as a ratio of polynomials in ``sin(omega / 2)**2``, the squared magnitude of
a minimum-phase filter with four zeros and two poles. In these unknowns no root can stray outside
the unit circle, so one start converges at every rate. One more zero, for A alone, takes up what
the matched 737.9 Hz pole leaves at low rates.
"""

from collections.abc import Callable
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.signal import zpk2sos

from acoustic.signals import Samples

__all__ = ["POLES_HZ", "WeightingSections", "analytic_weighting_db", "design_weighting"]

POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
"""Frequencies f1 to f4 of the poles; f1 and f4 are double, f2 and f3 belong to A alone."""

_ROUNDS = 40
"""Reweightings of the fit; the error no longer shrinks after about 20."""


class WeightingSections(NamedTuple):
    """Second-order sections; A-weighting is C-weighting followed by its own sections."""

    C: Samples
    """C-weighting, shape ``(sections, 6)``."""
    A_after_C: Samples
    """What turns a C-weighted signal into an A-weighted one, shape ``(sections, 6)``."""


def analytic_weighting_db(frequency_hz: Samples, weighting: Literal["A", "C"]) -> Samples:
    """Return the weighting that the standard defines, 0 dB at 1 kHz; -inf at 0 Hz."""

    def gain(square_hz2: Samples) -> Samples:
        f1, f2, f3, f4 = (pole_hz**2 for pole_hz in POLES_HZ)
        result = square_hz2 / ((square_hz2 + f1) * (square_hz2 + f4))
        if weighting == "A":
            result = result * square_hz2 / np.sqrt((square_hz2 + f2) * (square_hz2 + f3))
        return result

    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(gain(np.square(frequency_hz)) / gain(np.array(1e6)))


class _Fit(NamedTuple):
    """Coefficients of powers 1, 2, … of sin(omega / 2)**2; that of power 0 is 1."""

    numerator: Samples
    denominator: Samples
    A_numerator: Samples


def design_weighting(rate_hz: float) -> WeightingSections:
    """Design both weightings for one sampling rate.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in hertz, at least 8 kHz.

    Returns
    -------
    WeightingSections
        The filters, each exactly 0 dB at 1 kHz.
    """
    low, mid_2, mid_3 = (np.exp(-2 * np.pi * pole_hz / rate_hz) for pole_hz in POLES_HZ[:3])
    fit = _fit(rate_hz)
    C = zpk2sos(
        [1.0, 1.0, *_inner_roots(fit.numerator)],
        [low, low, *_inner_roots(fit.denominator)],
        1.0,
    )
    A_after_C = zpk2sos([1.0, 1.0, *_inner_roots(fit.A_numerator)], [mid_2, mid_3], 1.0)
    z = np.exp(-2j * np.pi * 1000.0 / rate_hz) ** np.arange(3)
    for sections in (C, A_after_C):
        at_1_khz = np.prod((sections[:, :3] @ z) / (sections[:, 3:] @ z))
        sections[0, :3] /= np.abs(at_1_khz)
    return WeightingSections(C, A_after_C)


def _inner_roots(coefficients: Samples) -> npt.NDArray[np.complex128]:
    """Roots z inside the unit circle whose squared magnitude has these coefficients."""
    roots = np.roots([*coefficients[::-1], 1.0]).astype(np.complex128)
    # sin(omega / 2)**2 = (2 - z - 1/z) / 4, so z + 1/z = 2 - 4 root.
    half_sum = 1.0 - 2.0 * roots
    z = half_sum + np.sqrt(half_sum**2 - 1.0)
    return np.where(np.abs(z) < 1.0, z, 1.0 / z)


def _fit(rate_hz: float) -> _Fit:
    """Fit the 12.2 kHz part to both weightings at once by damped Gauss-Newton on decibels.

    Weights that grow where the error is large lead from least squares towards least maximum.
    """
    top_hz = min(20_000.0, 0.4536 * rate_hz)  # 20 kHz at 44.1 kHz
    low_hz = np.geomspace(10.0, top_hz, 60)
    high_hz = top_hz * np.sin(np.linspace(0.02, np.pi / 2, 240)) ** 2
    frequency_hz = np.sort([*low_hz, *high_hz[high_hz > 10.0], 1000.0])
    reference = int(np.searchsorted(frequency_hz, 1000.0))

    sine_squared: Samples = np.sin(np.pi * frequency_hz / rate_hz) ** 2
    powers: Samples = sine_squared[:, None] ** np.arange(1.0, 5.0)
    # Up to half the rate the squared magnitudes have to stay positive, fitted there or not.
    check: Samples = np.linspace(0.0, 1.0, 101)[:, None] ** np.arange(1.0, 5.0)

    def re_1_khz(values: Samples) -> Samples:
        relative: Samples = values - values[reference]
        return relative

    def matched(pole_hz: float) -> Samples:
        """Log squared magnitude of a zero at 0 Hz and a matched pole."""
        pole = np.exp(-2 * np.pi * pole_hz / rate_hz)
        ratio: Samples = 4 * sine_squared / ((1 - pole) ** 2 + 4 * pole * sine_squared)
        return np.log(ratio)

    neper2 = np.log(10.0) / 10.0  # log squared magnitude per decibel
    goal_C = neper2 * analytic_weighting_db(frequency_hz, "C") - 2 * matched(POLES_HZ[0])
    goal_A = neper2 * analytic_weighting_db(frequency_hz, "A") - 2 * matched(POLES_HZ[0])
    goal_A -= matched(POLES_HZ[1]) + matched(POLES_HZ[2])
    goal_C, goal_A = re_1_khz(goal_C), re_1_khz(goal_A)

    def factors(c: Samples, basis: Samples) -> tuple[Samples, Samples, Samples]:
        """Squared magnitudes of numerator, denominator and the numerator of A alone."""
        return 1 + basis @ c[:4], 1 + basis[:, :2] @ c[4:6], 1 + basis[:, :1] @ c[6:]

    def errors(c: Samples) -> Samples | None:
        if min(factor.min() for factor in factors(c, check)) <= 0.0:
            return None
        numerator, denominator, A_numerator = factors(c, powers)
        common = np.log(numerator) - np.log(denominator)
        A_only = re_1_khz(np.log(A_numerator))
        return np.concatenate([goal_C - re_1_khz(common), goal_A - re_1_khz(common) - A_only])

    def slopes(c: Samples) -> Samples:
        numerator, denominator, A_numerator = factors(c, powers)
        common = np.hstack([powers / numerator[:, None], -powers[:, :2] / denominator[:, None]])
        common -= common[reference]
        A_only = powers[:, :1] / A_numerator[:, None]
        A_only -= A_only[reference]
        return np.vstack([np.hstack([common, 0 * A_only]), np.hstack([common, A_only])])

    # Start: matched poles, and the numerator that suits them best in linear least squares.
    pole = np.exp(-2 * np.pi * POLES_HZ[3] / rate_hz)
    steep = 4 * pole / (1 - pole) ** 2
    start = np.array([0.0, 0.0, 0.0, 0.0, 2 * steep, steep**2, 0.0])
    ratio = np.exp(goal_C) * (1 + powers[:, :2] @ start[4:6])
    start[:4] = np.linalg.lstsq(powers, ratio / ratio[0] - 1, rcond=None)[0]
    if errors(start) is None:
        start[:4] = 0.0

    coefficients = _least_maximum(start, errors, slopes)
    return _Fit(coefficients[:4], coefficients[4:6], coefficients[6:])


def _least_maximum(
    start: Samples,
    errors: Callable[[Samples], Samples | None],
    slopes: Callable[[Samples], Samples],
) -> Samples:
    """Make the largest error small; `errors` gives None where coefficients are impossible."""
    coefficients, residual = start, errors(start)
    if residual is None:
        raise AssertionError("the matched poles are always possible")
    weights = np.ones_like(residual)
    best, best_error = coefficients, np.abs(residual).max()
    damping = 1e-6
    for _ in range(3 * _ROUNDS):
        root_weights = np.sqrt(weights)
        jacobian = slopes(coefficients) * root_weights[:, None]
        # The coefficients differ by many powers of ten, so each is measured by its effect.
        scale = np.linalg.norm(jacobian, axis=0)
        scaled = jacobian / scale
        for _ in range(12):
            step = np.linalg.lstsq(
                np.vstack([scaled, np.sqrt(damping) * np.eye(len(scale))]),
                np.concatenate([root_weights * residual, np.zeros_like(scale)]),
                rcond=None,
            )[0]
            trial = errors(coefficients + step / scale)
            if trial is not None and weights @ trial**2 <= weights @ residual**2:
                coefficients, residual = coefficients + step / scale, trial
                damping = max(damping / 10, 1e-12)
                break
            damping *= 10
        largest = np.abs(residual).max()
        if largest < best_error:
            best, best_error = coefficients, largest
        weights = weights * (np.abs(residual) / largest + 0.02) ** 0.3
        weights = np.maximum(weights / weights.mean(), 1e-5)
    return best
