"""The microphone with its converter, and the reference calibrator that fits over it."""

from dataclasses import dataclass
from math import cos, pi, sqrt

import numpy as np
from scipy.signal import freqz, lfilter

from acoustic.signals import Samples
from service.simulation.spectrum import a_weighting_db, pressure_pa
from service.simulation.wander import Wander

__all__ = [
    "LOOSE_CALIBRATOR",
    "OFF_FREQUENCY_CALIBRATOR",
    "Calibrator",
    "CalibratorSound",
    "Converter",
    "Microphone",
]

_BITS = 24
_SHELF_HZ = 6000.0


@dataclass(frozen=True, slots=True)
class Microphone:
    """A measurement microphone, its preamplifier and its converter."""

    pascal_per_unit: float = 6.4
    """Sound pressure in pascals of a sample of 1.0: what a calibration has to find out."""
    self_noise_db: float = 12.0
    """A-weighted level of its own white noise, in dB re 20 uPa."""
    drift_db: float = 0.01
    """Standard deviation of the slow drift of its gain; it starts at zero."""
    drift_s: float = 300.0
    """Correlation time of that drift, in seconds."""
    treble_db: float = 0.0
    """Lift of the response far above 6 kHz; it is flat at 1 kHz."""


@dataclass(frozen=True, slots=True)
class Calibrator:
    """A reference sound source that is put over the microphone."""

    level_db: float = 94.0
    """Level of its tone, in dB re 20 uPa."""
    frequency_hz: float = 1000.0
    """Frequency of its tone."""
    fluctuation_db: float = 0.01
    """Standard deviation of the level."""
    fluctuation_s: float = 0.5
    """Correlation time of that, in seconds."""
    distortion_percent: float = 0.5
    """Second and third harmonic together re the tone."""
    seal_db: float = 35.0
    """How far it shuts out the room."""


LOOSE_CALIBRATOR = Calibrator(
    level_db=92.4, fluctuation_db=0.3, fluctuation_s=0.8, distortion_percent=1.5, seal_db=8.0
)
"""A calibrator that does not sit tight: low, unsteady, and the room comes through."""

OFF_FREQUENCY_CALIBRATOR = Calibrator(frequency_hz=1043.0)
"""A calibrator whose oscillator is off by 4.3 %."""


class CalibratorSound:
    """The tone of a calibrator, one step of the plant at a time."""

    def __init__(
        self, calibrator: Calibrator, frames: int, rate_hz: int, generator: np.random.Generator
    ) -> None:
        self.room_gain = 10.0 ** (-calibrator.seal_db / 20.0)
        """Share of the sound pressure in the room that still reaches the microphone."""
        self._ramp = np.arange(1, frames + 1) / frames
        self._cycles_per_step = calibrator.frequency_hz * frames / rate_hz
        self._cycles = float(generator.random())
        self._fluctuation = Wander(
            calibrator.fluctuation_db, calibrator.fluctuation_s, frames / rate_hz, generator
        )
        self._amplitude_pa = sqrt(2.0) * pressure_pa(calibrator.level_db)
        self._harmonic = calibrator.distortion_percent / 100.0 / sqrt(2.0)

    def render(self) -> Samples:
        """Return the tone of one step in pascals, shape ``(frames,)``."""
        start = 10.0 ** (self._fluctuation.value / 20.0)
        end = 10.0 ** (self._fluctuation.step() / 20.0)
        cycles = self._cycles + self._ramp * self._cycles_per_step
        self._cycles = float(cycles[-1]) % 1.0
        angle = 2.0 * pi * cycles
        tone = np.sin(angle) + self._harmonic * (np.sin(2.0 * angle) + np.sin(3.0 * angle))
        return np.asarray(self._amplitude_pa * (start + (end - start) * self._ramp) * tone)


class Converter:
    """Turns sound pressure into samples: self-noise, response, drift, clipping and rounding."""

    def __init__(
        self, microphone: Microphone, frames: int, rate_hz: int, generator: np.random.Generator
    ) -> None:
        self._microphone = microphone
        self._ramp = np.arange(1, frames + 1) / frames
        drift, self._generator = generator.spawn(2)
        self._drift = Wander(
            microphone.drift_db, microphone.drift_s, frames / rate_hz, drift, from_zero=True
        )
        # White noise of unit variance has this A-weighted mean square.
        frequency_hz = np.linspace(1.0, rate_hz / 2.0, 20_000)
        weighted = float(np.mean(10.0 ** (a_weighting_db(frequency_hz) / 10.0)))
        self._noise_pa = pressure_pa(microphone.self_noise_db) / sqrt(weighted)
        self._shelf = _shelf(microphone.treble_db, rate_hz) if microphone.treble_db else None
        self._shelf_state = np.zeros(2)

    def step(self) -> tuple[float, float]:
        """Let the gain drift on by one step; return it before and after, in dB."""
        before_db = self._drift.value
        return before_db, self._drift.step()

    def convert(self, pressure: Samples, drift_pair_db: tuple[float, float]) -> Samples:
        """Samples of one step.

        Parameters
        ----------
        pressure : ndarray of shape (frames,)
            Sound pressure at the diaphragm in pascals.
        drift_pair_db : tuple of float
            Gain at the start and the end of the step, as `step` returned it.

        Returns
        -------
        ndarray of shape (frames,)
            Samples re full scale, on the grid of a 24-bit converter.
        """
        heard = pressure + self._noise_pa * self._generator.standard_normal(len(pressure))
        if self._shelf is not None:
            heard, self._shelf_state = lfilter(*self._shelf, heard, zi=self._shelf_state)
        start, end = (10.0 ** (gain_db / 20.0) for gain_db in drift_pair_db)
        steps = 2.0 ** (_BITS - 1)
        gain = (start + (end - start) * self._ramp) * (steps / self._microphone.pascal_per_unit)
        return np.asarray(np.clip(np.rint(heard * gain), -steps, steps - 1.0) / steps)


def _shelf(treble_db: float, rate_hz: int) -> tuple[Samples, Samples]:
    """Return a second-order shelf above 6 kHz whose gain at 1 kHz is exactly one."""
    root = 10.0 ** (treble_db / 40.0)
    angle = 2.0 * pi * _SHELF_HZ / rate_hz
    slope = np.sin(angle) / sqrt(2.0) * 2.0 * sqrt(root)
    c = cos(angle)
    numerator = root * np.array(
        [
            root + 1 + (root - 1) * c + slope,
            -2 * (root - 1 + (root + 1) * c),
            root + 1 + (root - 1) * c - slope,
        ]
    )
    denominator = np.array(
        [
            root + 1 - (root - 1) * c + slope,
            2 * (root - 1 - (root + 1) * c),
            root + 1 - (root - 1) * c - slope,
        ]
    )
    _, response = freqz(numerator, denominator, worN=[1000.0], fs=rate_hz)
    return numerator / abs(response[0]), denominator
