"""One tone in a signal: its frequency, its level over time, its harmonics and what is left.

The tone is fitted block by block as a sine and a cosine at one common frequency. That is a narrow
band around the tone, so hum and hiss of the room do not enter its level as they would a broadband
one.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.fft

from acoustic.errors import SignalError
from acoustic.signals import Samples

__all__ = ["SineFit", "fit_sine"]

_BLOCK_S: Final = 0.1
"""Length of a block; short enough to follow a fluctuation, long enough to ignore hiss."""
_HARMONICS: Final = 5
"""Highest multiple that counts as distortion."""


@dataclass(frozen=True, slots=True, eq=False)
class SineFit:
    """The strongest tone of a signal."""

    frequency_hz: float
    """Its frequency in hertz."""
    rms: float
    """Its root mean square over the whole signal, in the unit of the signal."""
    block_rms: Samples
    """Its root mean square in each block of 100 ms, shape ``(blocks,)``."""
    harmonics_rms: float
    """Root mean square of its second to fifth harmonics together."""
    noise_rms: float
    """Root mean square of everything else, a constant offset left out."""

    @property
    def distortion_percent(self) -> float:
        """Harmonics relative to the tone, in per cent."""
        return 100.0 * self.harmonics_rms / self.rms

    @property
    def signal_to_noise_db(self) -> float:
        """Level of the tone over everything that is neither it nor a harmonic, in dB."""
        return float(20.0 * np.log10(self.rms / max(self.noise_rms, 1e-12 * self.rms)))


def _strongest_frequency_hz(samples: Samples, rate_hz: float) -> float:
    """Frequency of the strongest line above 20 Hz, from a parabola through a Hann spectrum."""
    window = np.hanning(samples.size)
    size = 2 ** int(np.ceil(np.log2(samples.size)) + 1)
    spectrum = np.abs(scipy.fft.rfft((samples - samples.mean()) * window, size))
    spectrum[: int(20.0 * size / rate_hz) + 1] = 0.0
    peak = min(max(int(np.argmax(spectrum)), 1), spectrum.size - 2)
    left, middle, right = np.log(np.maximum(spectrum[peak - 1 : peak + 2], 1e-300))
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend else 0.0
    return float((peak + shift) * rate_hz / size)


def _fit_blocks(
    blocks: Samples, rate_hz: float, frequency_hz: float
) -> tuple[np.ndarray[tuple[int, int], np.dtype[np.complex128]], Samples]:
    """Fit a tone and its harmonics to each block at once.

    One by one, the tone would leak into the fit of each harmonic: a block holds no whole number of
    its periods, and a pure tone of 250 Hz would show 1 % of distortion.

    Returns the phasors, shape ``(multiples, blocks)``, and what they leave, the shape of `blocks`.
    """
    multiples = [
        multiple
        for multiple in range(1, _HARMONICS + 1)
        if multiple == 1 or multiple * frequency_hz < 0.45 * rate_hz
    ]
    phase = 2.0 * np.pi * frequency_hz / rate_hz * np.outer(np.arange(len(blocks)), multiples)
    tones = np.hstack([np.cos(phase), np.sin(phase)])
    basis = np.hstack([tones, np.ones((len(blocks), 1))])
    # The normal equations of so few, nearly orthogonal columns are harmless, and ten times faster.
    fitted = np.linalg.pinv(basis.T @ basis, hermitian=True) @ (basis.T @ blocks)
    cosines, sines = fitted[: len(multiples)], fitted[len(multiples) : -1]
    phasors = np.asarray(cosines - 1j * sines, dtype=np.complex128)
    return phasors, blocks - tones @ fitted[:-1]


def fit_sine(samples: Samples, rate_hz: float) -> SineFit:
    """Find and measure the strongest tone.

    Parameters
    ----------
    samples : ndarray of float64, shape (frames,)
        One channel, in any unit; at least 1 s.
    rate_hz : float
        Sampling rate in hertz.

    Returns
    -------
    SineFit
        Frequency, level, distortion and noise.

    Raises
    ------
    SignalError
        If the signal is shorter than 1 s or holds no sound at all.

    Examples
    --------
    >>> time_s = np.arange(96_000) / 48_000
    >>> fit = fit_sine(np.sqrt(2.0) * np.sin(2 * np.pi * 1000.5 * time_s), 48_000)
    >>> round(fit.frequency_hz, 3), round(fit.rms, 6)
    (1000.5, 1.0)
    """
    if samples.size < rate_hz:
        raise SignalError(
            f"A tone needs at least 1 s to be judged; this is {samples.size / rate_hz:.2f} s."
        )
    if np.ptp(samples) == 0.0:
        raise SignalError("There is no sound at all in this signal; check the input and its gain.")
    frames = round(_BLOCK_S * rate_hz)
    frequency_hz = _strongest_frequency_hz(samples, rate_hz)
    used = samples[: samples.size // frames * frames].reshape(-1, frames).T
    # The phase's turn from block to block shows what the first estimate missed.
    tone = _fit_blocks(used, rate_hz, frequency_hz)[0][0]
    advance = 2.0 * np.pi * frequency_hz * frames / rate_hz
    turn = np.angle(tone[1:] * np.conj(tone[:-1]) * np.exp(-1j * advance))
    frequency_hz += float(np.median(turn)) * rate_hz / (2.0 * np.pi * frames)
    phasors, rest = _fit_blocks(used, rate_hz, frequency_hz)
    squares = np.abs(phasors) ** 2 / 2.0
    return SineFit(
        frequency_hz=frequency_hz,
        rms=float(np.sqrt(squares[0].mean())),
        block_rms=np.sqrt(squares[0]),
        harmonics_rms=float(np.sqrt(squares[1:].sum(0).mean())),
        noise_rms=float(np.std(rest)),
    )
