"""Noise and tones whose A-weighted level is known from their spectrum alone.

Part of the foreign bench: it imports nothing of the project. Coloured noise is white Gaussian
noise through a filter with a known frequency response, so its power density is known in closed
form; the A weighting is the analytic formula, so no filter of anybody is needed to know a level.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import signal

RATE_HZ = 48000
REFERENCE_PRESSURE_PA = 20e-6

_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)


def _a_response(frequency_hz: np.ndarray) -> np.ndarray:
    """Return the A weighting before it is made 1 at 1 kHz."""
    f2 = np.square(np.asarray(frequency_hz, dtype=float))
    p1, p2, p3, p4 = (pole * pole for pole in _POLES_HZ)
    return p4 * f2 * f2 / ((f2 + p1) * np.sqrt((f2 + p2) * (f2 + p3)) * (f2 + p4))


def a_weighting(frequency_hz: np.ndarray | float) -> np.ndarray:
    """Return the A weighting as an amplitude factor, 1 at 1 kHz, from its analytic formula."""
    return _a_response(np.asarray(frequency_hz)) / _a_response(np.asarray(1000.0))


def level_db(mean_square_pa2: float) -> float:
    """Return the level of a mean square sound pressure; -300 for silence."""
    return 10.0 * float(np.log10(max(mean_square_pa2 / REFERENCE_PRESSURE_PA**2, 1e-30)))


def mean_square_pa2(level_db_: float) -> float:
    """Return the mean square sound pressure of a level."""
    return REFERENCE_PRESSURE_PA**2 * 10.0 ** (level_db_ / 10.0)


@dataclass(frozen=True)
class Colour:
    """The shape of a noise spectrum: two slopes and one broad hill between them."""

    low_hz: float
    """Below this it falls by 6 dB per octave."""
    high_hz: float
    """Above this it falls by 12 dB per octave."""
    hill_hz: float
    """Where the hill sits."""
    hill_db: float
    """How high the hill is."""

    def sections(self) -> np.ndarray:
        """Return the filter as second-order sections."""
        rise = signal.butter(1, self.low_hz, "highpass", fs=RATE_HZ, output="sos")
        fall = signal.butter(2, self.high_hz, "lowpass", fs=RATE_HZ, output="sos")
        gain = 10.0 ** (self.hill_db / 40.0)
        turn = 2.0 * np.pi * self.hill_hz / RATE_HZ
        broad = np.sin(turn) / 1.4
        hill = np.array(
            [
                1 + broad * gain,
                -2 * np.cos(turn),
                1 - broad * gain,
                1 + broad / gain,
                -2 * np.cos(turn),
                1 - broad / gain,
            ]
        )
        return np.vstack([rise, fall, hill / hill[3]])

    def weighted_mean_square(self) -> float:
        """Return the A-weighted mean square of unit white noise through the filter."""
        frequency_hz = np.linspace(0.0, RATE_HZ / 2, 1 << 17)
        _, response = signal.freqz_sos(self.sections(), worN=frequency_hz, fs=RATE_HZ)
        density = 2.0 / RATE_HZ * np.abs(response) ** 2 * a_weighting(frequency_hz) ** 2
        return float(np.trapezoid(density, frequency_hz))


@dataclass
class ColouredNoise:
    """An endless noise of one colour, scaled so that gain 1 reads 0 dB(A).

    It is drawn half a second at a time, which costs less; what is done to its level is not.
    """

    colour: Colour
    rng: np.random.Generator
    _sections: np.ndarray = field(init=False)
    _memory: np.ndarray = field(init=False)
    _unit: float = field(init=False)
    _ready: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        self._sections = self.colour.sections()
        self._memory = np.zeros((len(self._sections), 2))
        self._unit = REFERENCE_PRESSURE_PA / np.sqrt(self.colour.weighted_mean_square())

    def take(self, frames: int) -> np.ndarray:
        """Return the next frames, in pascals, at 0 dB(A)."""
        while len(self._ready) < frames:
            white = self.rng.standard_normal(RATE_HZ // 2) * self._unit
            shaped, self._memory = signal.sosfilt(self._sections, white, zi=self._memory)
            self._ready = np.concatenate([self._ready, shaped])
        taken, self._ready = self._ready[:frames], self._ready[frames:]
        return taken


def measured_level_db(pressure_pa: np.ndarray) -> float:
    """Return the A-weighted level of a long record by Fourier transform, for self-tests."""
    frequency_hz, density = signal.welch(pressure_pa, RATE_HZ, nperseg=16384)
    weighted = density * a_weighting(frequency_hz) ** 2
    return level_db(float(np.sum(weighted) * (frequency_hz[1] - frequency_hz[0])))
