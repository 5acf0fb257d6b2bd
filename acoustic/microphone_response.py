"""A microphone's frequency response as a table, and ways to take it out of a measurement.

The table says how much too high the microphone reads at each frequency, **relative to the
frequency at which it was calibrated**: there the calibration already accounts for it.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.fft import irfft, rfft
from scipy.signal import oaconvolve

from acoustic.band_frequencies import FrequencyBands
from acoustic.errors import InputError
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum

__all__ = [
    "CorrectionState",
    "MicrophoneResponse",
    "correct",
    "corrected_bands_db",
    "corrected_spectrum",
    "microphone_response",
    "start_correction",
]

_COVERED_HZ = (40.0, 12_500.0)
"""What a table has to cover at least; a lower half of the sampling rate will do for the top."""

_WIDEST_GAP = 2.1
"""Largest ratio of neighbouring frequencies: octaves, with nominal frequencies."""

_LARGEST_RESPONSE_DB = 30.0

_FILTER_S = 0.17
"""Length of the correcting filter: it resolves 6 Hz."""


@dataclass(frozen=True, slots=True, eq=False)
class MicrophoneResponse:
    """Response of a microphone, 0 dB at its calibration frequency."""

    frequency_hz: Samples
    """Frequencies in hertz, rising, shape ``(n,)``."""
    response_db: Samples
    """How much too high the microphone reads, in dB, shape ``(n,)``."""

    def at_db(self, frequency_hz: Samples) -> Samples:
        """Response at any frequency.

        Parameters
        ----------
        frequency_hz : ndarray
            Frequencies in hertz, any shape; 0 Hz too.

        Returns
        -------
        ndarray
            Response in dB, linear in lg frequency between entries; beyond the ends of the table
            its last value is held.
        """
        positive = np.maximum(frequency_hz, self.frequency_hz[0])
        return np.asarray(np.interp(np.log(positive), np.log(self.frequency_hz), self.response_db))


def microphone_response(table: Samples, *, calibrated_at_hz: float) -> MicrophoneResponse:
    """Check a table and relate it to the calibration frequency.

    Parameters
    ----------
    table : ndarray of shape (n, 2) or (n, 3)
        Frequency in hertz and response in dB, and perhaps phase in degrees, which levels do not
        need.
    calibrated_at_hz : float
        Frequency of the reference tone in hertz, such as 1000.

    Returns
    -------
    MicrophoneResponse
        The response, 0 dB at `calibrated_at_hz`.

    Raises
    ------
    InputError
        If the table has another shape, entries that are no numbers, frequencies that do not rise,
        gaps of more than an octave, responses beyond 30 dB, or covers less than 40 Hz to 12.5 kHz
        and the calibration frequency.
    """
    array = np.asarray(table, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] not in {2, 3} or len(array) < 2:
        raise InputError(
            "A microphone table needs two or three columns (frequency in Hz, response in dB, "
            f"perhaps phase) and at least two rows, not the shape {array.shape}."
        )
    frequency_hz, response_db = array[:, 0], array[:, 1]
    if not np.isfinite(array[:, :2]).all():
        row = int(np.argmin(np.isfinite(array[:, :2]).all(axis=1)))
        raise InputError(f"Row {row + 1} of the microphone table holds something not a number.")
    if not (frequency_hz[0] > 0.0 and (np.diff(frequency_hz) > 0.0).all()):
        row = int(np.argmax(np.diff(frequency_hz, prepend=0.0) <= 0.0))
        raise InputError(
            f"The frequencies of the microphone table must be above zero and rise, but row "
            f"{row + 1} says {frequency_hz[row]:g} Hz."
        )
    ratios = frequency_hz[1:] / frequency_hz[:-1]
    within = (frequency_hz[1:] > _COVERED_HZ[0]) & (frequency_hz[:-1] < _COVERED_HZ[1])
    if (ratios[within] > _WIDEST_GAP).any():
        row = int(np.argmax(within & (ratios > _WIDEST_GAP)))
        raise InputError(
            f"The microphone table has nothing between {frequency_hz[row]:g} Hz and "
            f"{frequency_hz[row + 1]:g} Hz; use one with at least an entry for each octave."
        )
    low_hz, high_hz = min(_COVERED_HZ[0], calibrated_at_hz), max(_COVERED_HZ[1], calibrated_at_hz)
    if frequency_hz[0] > low_hz or frequency_hz[-1] < high_hz:
        raise InputError(
            f"The microphone table covers {frequency_hz[0]:g} Hz to {frequency_hz[-1]:g} Hz; use "
            f"one that covers at least {low_hz:g} Hz to {high_hz:g} Hz."
        )
    response = MicrophoneResponse(frequency_hz, response_db)
    response_db = response_db - response.at_db(np.array(calibrated_at_hz))
    if np.abs(response_db).max() > _LARGEST_RESPONSE_DB:
        row = int(np.argmax(np.abs(response_db)))
        raise InputError(
            f"The microphone table says {response_db[row]:.1f} dB at {frequency_hz[row]:g} Hz re "
            f"{calibrated_at_hz:g} Hz, more than {_LARGEST_RESPONSE_DB:g} dB; check its columns."
        )
    return replace(response, response_db=response_db)


def corrected_bands_db(
    response: MicrophoneResponse, band_level_db: Samples, bands: FrequencyBands
) -> Samples:
    """Take the response out of band levels.

    Parameters
    ----------
    response : MicrophoneResponse
        The response.
    band_level_db : ndarray of shape (..., bands)
        Band levels in dB.
    bands : FrequencyBands
        Their frequencies.

    Returns
    -------
    ndarray of shape (..., bands)
        Levels in dB, corrected by the response at each mid-band frequency.
    """
    corrected: Samples = band_level_db - response.at_db(bands.exact_hz)
    return corrected


def corrected_spectrum(response: MicrophoneResponse, spectrum: Spectrum) -> Spectrum:
    """Take the response out of a spectrum.

    Parameters
    ----------
    response : MicrophoneResponse
        The response.
    spectrum : Spectrum
        The spectrum.

    Returns
    -------
    Spectrum
        The spectrum with every line corrected.
    """
    return spectrum.changed_by_db(-response.at_db(spectrum.frequency_hz))


@dataclass(frozen=True, slots=True, eq=False)
class CorrectionState:
    """A correcting filter and the frames it remembers: a value, never changed."""

    taps: Samples
    """Coefficients of the filter, shape ``(taps,)``."""
    past: Samples
    """Last frames, shape ``(taps - 1, channels)``."""


def start_correction(
    response: MicrophoneResponse, rate_hz: float, channels: int
) -> CorrectionState:
    """Design a filter that takes the response out of sound, at rest.

    For broadband levels such as LAF, which cannot be corrected afterwards.

    Parameters
    ----------
    response : MicrophoneResponse
        The response.
    rate_hz : float
        Sampling rate in hertz.
    channels : int
        Number of channels.

    Returns
    -------
    CorrectionState
        State before the first block.

    Notes
    -----
    A minimum-phase filter, which delays nothing; it follows a smooth response within 0.1 dB from
    31.5 Hz to the end of the table.
    """
    length = 2 ** int(np.ceil(np.log2(_FILTER_S * rate_hz)))
    frames = 4 * length
    frequency_hz = np.arange(frames // 2 + 1) * (rate_hz / frames)
    log_gain = -response.at_db(frequency_hz) * (np.log(10.0) / 20.0)
    # The logarithm of a minimum-phase response has no part before time zero: fold it over.
    cepstrum = irfft(log_gain, frames)
    cepstrum[1 : frames // 2] *= 2.0
    cepstrum[frames // 2 + 1 :] = 0.0
    taps = irfft(np.exp(rfft(cepstrum)), frames)[:length]
    # The last half fades out, so that the cut makes no ripple.
    taps[length // 2 :] *= np.square(np.cos(np.linspace(0.0, np.pi / 2, length - length // 2)))
    return CorrectionState(taps, np.zeros((length - 1, channels)))


def correct(state: CorrectionState, samples: Samples) -> tuple[Samples, CorrectionState]:
    """Take the response out of one block.

    Parameters
    ----------
    state : CorrectionState
        State after the block before; it is not changed.
    samples : ndarray of shape (frames, channels)
        The block.

    Returns
    -------
    samples : ndarray of shape (frames, channels)
        The corrected block.
    state : CorrectionState
        State for the next block.
    """
    if len(samples) == 0:
        return samples, state
    together = np.concatenate([state.past, samples])
    corrected = oaconvolve(together, state.taps[:, None], mode="valid", axes=0)
    return corrected, replace(state, past=together[-len(state.past) :].copy())
