"""Noise of a given spectrum and a given A-weighted level.

A spectrum is one high-pass and two low-pass corners, all of first order: enough for the falling
spectra of fans, pumps and rooms, and its power has a closed form at every frequency and rate. The
gain of the filter is set from that closed form, so the level is known before a sample is drawn.
The A-weighting here is the formula itself: the simulated room borrows no filter it helps to test.
"""

from dataclasses import dataclass
from math import pi, tan

import numpy as np
from scipy.signal import lfilter

from acoustic.decibels import REFERENCE_PRESSURE_PA
from acoustic.signals import Samples

__all__ = ["NoiseShape", "ShapedNoise", "a_weighting_db", "pressure_pa"]

_WARM_UP_S = 0.25
"""Longer than any filter here remembers (its lowest corner is above 5 Hz)."""


def a_weighting_db(frequency_hz: Samples) -> Samples:
    """Return the A-weighting at `frequency_hz` in dB, by the formula of IEC 61672-1:2013."""
    square = np.asarray(frequency_hz, dtype=np.float64) ** 2
    gain = (
        12194.217**2
        * square**2
        / ((square + 20.599**2) * (square + 12194.217**2))
        / np.sqrt((square + 107.653**2) * (square + 737.862**2))
    )
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(gain) + 2.000)


def pressure_pa(level_db: float) -> float:
    """Return the root mean square pressure of a level in dB re 20 uPa; ``-inf`` gives silence."""
    return float(REFERENCE_PRESSURE_PA * 10.0 ** (level_db / 20.0))


@dataclass(frozen=True, slots=True)
class NoiseShape:
    """A spectrum without a level: three first-order corners."""

    highpass_hz: float
    """Below this frequency the density falls by 6 dB per octave."""
    lowpass_hz: tuple[float, float]
    """Above each of these frequencies it falls by 6 dB per octave."""

    def power(self, frequency_hz: Samples, rate_hz: float) -> Samples:
        """Relative power density of the filtered noise.

        Parameters
        ----------
        frequency_hz : ndarray
            Frequencies up to half the rate, in hertz.
        rate_hz : float
            Sampling rate in hertz; the bilinear transform bends the spectrum near half of it.

        Returns
        -------
        ndarray
            Power density re that of the white noise that is filtered.
        """
        bent_hz = rate_hz / pi * np.tan(pi * np.minimum(frequency_hz / rate_hz, 0.4999999))
        # The corners are pre-warped, so each stands at its own frequency.
        low, (mid, high) = self.highpass_hz, self.lowpass_hz
        square = bent_hz**2
        return np.asarray(
            square
            / (square + _warped(low, rate_hz) ** 2)
            / (1.0 + square / _warped(mid, rate_hz) ** 2)
            / (1.0 + square / _warped(high, rate_hz) ** 2)
        )

    def a_weighted_power(self, rate_hz: float) -> float:
        """Return the A-weighted mean square when white noise of unit variance is filtered."""
        frequency_hz = np.geomspace(1.0, rate_hz / 2.0, 20_000)
        density = self.power(frequency_hz, rate_hz) * 2.0 / rate_hz
        weighted = density * 10.0 ** (a_weighting_db(frequency_hz) / 10.0)
        return float(np.trapezoid(weighted, frequency_hz))

    def filter_coefficients(self, rate_hz: float) -> tuple[Samples, Samples]:
        """Return numerator and denominator of the third-order filter at `rate_hz`."""
        sections = [
            (np.array([1.0, -1.0]), _warped(self.highpass_hz, rate_hz), True),
            *(
                (np.array([1.0, 1.0]), _warped(corner, rate_hz), False)
                for corner in self.lowpass_hz
            ),
        ]
        numerator, denominator = np.ones(1), np.ones(1)
        for zero, corner_hz, is_highpass in sections:
            ratio = pi * corner_hz / rate_hz
            gain = (1.0 if is_highpass else ratio) / (1.0 + ratio)
            numerator = np.convolve(numerator, gain * zero)
            denominator = np.convolve(denominator, [1.0, (ratio - 1.0) / (ratio + 1.0)])
        return numerator, denominator


def _warped(corner_hz: float, rate_hz: float) -> float:
    """Return the analogue corner that the bilinear transform puts at `corner_hz`."""
    return rate_hz / pi * tan(pi * corner_hz / rate_hz)


class ShapedNoise:
    """A stream of noise with a given shape and an A-weighted mean square of one."""

    def __init__(self, shape: NoiseShape, rate_hz: float, generator: np.random.Generator) -> None:
        numerator, self._denominator = shape.filter_coefficients(rate_hz)
        self._numerator = numerator / np.sqrt(shape.a_weighted_power(rate_hz))
        self._generator = generator
        self._state = np.zeros(3)
        self.draw(round(_WARM_UP_S * rate_hz))

    def draw(self, frames: int) -> Samples:
        """Return the next `frames` samples, shape ``(frames,)``."""
        white = self._generator.standard_normal(frames)
        shaped, self._state = lfilter(self._numerator, self._denominator, white, zi=self._state)
        return np.asarray(shaped)
