"""From a sound source to levels: calibrated, in step with 100 ms, faults marked."""

from collections import deque
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from acoustic.analyser import analyse, start
from acoustic.decibels import level_db
from acoustic.loudness_bands import LOUDNESS_BANDS, loudness_band_level_db
from acoustic.microphone_response import MicrophoneResponse, correct, start_correction
from acoustic.short_levels import MILLISECONDS_PER_ROW, ROW_S
from acoustic.signals import DigitalSignal, PressureSignal, Samples
from acoustic.spectrum import spectrum_of
from acoustic.time_weighting import millisecond_edges
from service.documents.calibration import CalibrationDocument, joined_calibration
from service.errors import DocumentError, SettingsError
from service.ports import SoundSource

__all__ = [
    "LOWEST_LOUDNESS_RATE_HZ",
    "CalibratedSound",
    "HeardLevels",
    "LevelListener",
    "calibration_of",
    "pascal_per_unit_for",
]

_KEPT_S: Final = 30.0
"""How much of the latest sound is kept for its spectrum."""
_BAND_SPACING_HZ: Final = 2.5
"""Distance of spectral lines that one-third octaves from 25 Hz on need."""
_WINDOW_ROWS: Final = 5
"""Half a second holds a segment of that spectrum."""
LOWEST_LOUDNESS_RATE_HZ: Final = 32_000
"""Lowest rate whose spectrum holds all bands that loudness takes."""


def pascal_per_unit_for(source: SoundSource, calibration: CalibrationDocument) -> float:
    """Return the factor of a calibration, if it is one for this source.

    Parameters
    ----------
    source : SoundSource
        The input.
    calibration : CalibrationDocument
        The calibration it is to be used with.

    Returns
    -------
    float
        Pascals per unit, of the channel that the calibration itself is for.

    Raises
    ------
    DocumentError
        If the calibration was refused, or is for another rate or a channel that is not there.
    """
    if calibration.pascal_per_unit is None or not calibration.accepted:
        raise DocumentError("The calibration was refused and has no factor; calibrate again.")
    if calibration.rate_hz != source.rate_hz:
        raise DocumentError(
            f"The calibration is for {calibration.rate_hz} Hz but {source.name} runs at "
            f"{source.rate_hz} Hz; calibrate this input at the rate it is used with."
        )
    missing = [each for each in calibration.by_channel() if each > source.channels]
    if missing:
        raise DocumentError(
            f"The calibration is for channel {missing[0]} but {source.name} has "
            f"{source.channels}; calibrate the channel that is used."
        )
    return calibration.pascal_per_unit


def calibration_of(
    source: SoundSource,
    calibrations: Mapping[int, CalibrationDocument],
    channels: Sequence[int] | None = None,
) -> CalibrationDocument:
    """Choose the calibration of the channels that are used.

    Parameters
    ----------
    source : SoundSource
        The input.
    calibrations : mapping of int to CalibrationDocument
        What was calibrated, by channel, counted from 1.
    channels : sequence of int, optional
        The channels that are used; by default all that the input has.

    Returns
    -------
    CalibrationDocument
        One for all of them.

    Raises
    ------
    DocumentError
        If one of them is not there or was not calibrated.
    """
    used = sorted(set(channels or range(1, source.channels + 1)))
    if used[-1] > source.channels:
        raise DocumentError(
            f"{source.name} has no channel {used[-1]}; it has {source.channels}, counted from 1."
        )
    missing = [channel for channel in used if channel not in calibrations]
    if missing:
        raise DocumentError(
            f"Channel {missing[0]} of {source.name} has no calibration, so it has no level; "
            f"calibrate it with --channel {missing[0]}, or say with --channel which ones to use."
        )
    return joined_calibration([calibrations[channel] for channel in used])


class CalibratedSound:
    """The calibrated channels of a source as sound pressure, in intervals of 100 ms.

    Parameters
    ----------
    source : SoundSource
        The input.
    calibration : CalibrationDocument
        Its calibration, of one channel or several.
    response : MicrophoneResponse, optional
        Response of the microphone, to be taken out of the sound of each channel.

    Raises
    ------
    DocumentError
        If the calibration is not one for this source.
    """

    def __init__(
        self,
        source: SoundSource,
        calibration: CalibrationDocument,
        response: MicrophoneResponse | None = None,
    ) -> None:
        self.pascal_per_unit = pascal_per_unit_for(source, calibration)
        """What the calibration as a whole says; another one where a channel has another."""
        parts = calibration.by_channel()
        self._channels = [channel - 1 for channel in parts]
        self._factors = np.array([pascal_per_unit_for(source, each) for each in parts.values()])
        self._source = source
        self._intervals = 0
        self._correction = (
            None if response is None else start_correction(response, source.rate_hz, self.channels)
        )

    @property
    def rate_hz(self) -> int:
        """Sampling rate in hertz."""
        return self._source.rate_hz

    @property
    def channels(self) -> int:
        """Number of channels that are used."""
        return len(self._channels)

    def next_interval(self) -> tuple[PressureSignal, bool]:
        """Take the next 100 ms.

        Returns
        -------
        PressureSignal
            The sound of the channels that are used, shape ``(frames, channels)``; the number of
            frames varies by one where the rate does not divide into tenths of a second.
        bool
            Whether the capture vouches for it, in every channel that is used.

        Raises
        ------
        CaptureError
            If the source fails or ends.
        """
        first = MILLISECONDS_PER_ROW * self._intervals
        self._intervals += 1
        edges = millisecond_edges(self.rate_hz, first, first + MILLISECONDS_PER_ROW)
        block = self._source.read(int(edges[-1] - edges[0]))
        samples = block.signal.samples[:, self._channels]
        if self._correction is not None:
            samples, self._correction = correct(self._correction, samples)
        digital = DigitalSignal(samples, block.signal.rate_hz)
        good = not block.faults_of(self._channels)
        return PressureSignal.from_digital(digital, self._factors), good


class HeardLevels(NamedTuple):
    """What one stretch of sound comes to."""

    levels_db: Samples
    """LAeq of each 100 ms in dB, averaged over channels as energy, shape ``(intervals,)``."""
    valid: npt.NDArray[np.bool_]
    """Whether the capture vouches for it, same shape."""
    bands_db: Samples | None
    """One-third octaves around each, 25 Hz to 12.5 kHz, in dB, shape ``(intervals, 28)``; NaN
    where too little was heard for them, None where they are not wanted."""


class LevelListener:
    """Hands out levels of 100 ms as they are heard, and keeps the latest sound for its spectrum.

    Parameters
    ----------
    sound : CalibratedSound
        What is listened to.
    bands : bool, optional
        Whether one-third octave levels for loudness are handed out as well.

    Raises
    ------
    SettingsError
        If bands are wanted at a rate too low for them.
    """

    def __init__(self, sound: CalibratedSound, *, bands: bool = False) -> None:
        if bands and sound.rate_hz < LOWEST_LOUDNESS_RATE_HZ:
            raise SettingsError(
                f"Loudness needs a rate of at least {LOWEST_LOUDNESS_RATE_HZ} Hz, but the input "
                f"runs at {sound.rate_hz} Hz; choose a higher one or a target in dB(A)."
            )
        self._sound = sound
        self._window: deque[tuple[Samples, bool]] | None = (
            deque(maxlen=_WINDOW_ROWS) if bands else None
        )
        self._state = start(sound.rate_hz, sound.channels, bands=False)
        self._kept: deque[Samples] = deque(maxlen=round(_KEPT_S / ROW_S))

    def take(self, seconds: float) -> HeardLevels:
        """Take the next stretch of sound.

        Parameters
        ----------
        seconds : float
            How much, a whole number of 100 ms.

        Returns
        -------
        HeardLevels
            Levels of each 100 ms.

        Raises
        ------
        CaptureError
            If the source fails or ends.
        """
        heard = [self._sound.next_interval() for _ in range(round(seconds / ROW_S))]
        valid = np.array([good for _, good in heard], dtype=np.bool_)
        self._kept.extend(pressure.samples for pressure, good in heard if good)
        together = np.concatenate([pressure.samples for pressure, _ in heard])
        self._state, rows = analyse(self._state, PressureSignal(together, self._sound.rate_hz))
        bands_db = None if self._window is None else self._bands_db(heard, self._window)
        return HeardLevels(level_db(rows.A_mean_square_pa2.mean(axis=1)), valid, bands_db)

    def _bands_db(
        self, heard: list[tuple[PressureSignal, bool]], window: deque[tuple[Samples, bool]]
    ) -> Samples:
        """One-third octave levels of the half second that ends with each interval."""
        rows = np.full((len(heard), len(LOUDNESS_BANDS)), np.nan)
        for row, (pressure, good) in zip(rows, heard, strict=True):
            window.append((pressure.samples, good))
            if len(window) == _WINDOW_ROWS and all(fine for _, fine in window):
                sound = np.concatenate([samples for samples, _ in window])
                spectrum = spectrum_of(
                    PressureSignal(sound, self._sound.rate_hz), spacing_hz=_BAND_SPACING_HZ
                )
                # To hundredths, as the trail keeps them, so that it can be decided again.
                bands_db = loudness_band_level_db(spectrum.mean_of_channels())
                row[:] = np.round(bands_db[:, 0], 2)
        return rows

    def forget_sound(self) -> None:
        """Start keeping sound anew: what was kept belongs to another setting."""
        self._kept.clear()

    def kept_sound(self) -> PressureSignal | None:
        """Return the trustworthy sound since `forget_sound`, at most 30 s, or None."""
        if not self._kept:
            return None
        return PressureSignal(np.concatenate(self._kept), self._sound.rate_hz)
