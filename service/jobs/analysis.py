"""Analysing a recording: which part, with which calibration, into a document."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from acoustic import array_kernels
from acoustic.kernels import Kernels
from acoustic.loudness import SoundField
from acoustic.microphone_response import MicrophoneResponse
from acoustic.short_levels import ShortLevels
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum
from acoustic.waterfall import Waterfall
from service.documents.analysis import AnalysisDocument, UncalibratedAnalysisDocument
from service.documents.calibration import CalibrationDocument
from service.documents.kept_sound import KeptSoundDocument
from service.errors import DocumentError, RecordingError, SettingsError
from service.jobs.analysis_document import analysis_document
from service.jobs.analysis_warnings import coding_notes
from service.jobs.listening import pascal_per_unit_for
from service.jobs.recording_levels import MeasuredRecording, RecordedPart, measure_recording
from service.ports import RecordedSound

__all__ = [
    "AnalysisRequest",
    "OpenRecording",
    "PreparedRecording",
    "SoundView",
    "analyse_recording",
    "check_request",
    "prepare",
]


@dataclass(frozen=True, slots=True)
class AnalysisRequest:
    """What is asked of a recording."""

    calibration: CalibrationDocument | None = None
    """The calibration of what it was recorded with."""
    response: MicrophoneResponse | None = None
    """Response of the microphone, to be taken out of the sound."""
    pascal_per_unit: float | None = None
    """Instead of a calibration, sound pressure in pascals of a sample of value 1.0. Without
    either, levels are re full scale."""
    field: SoundField = "free"
    """Sound field that the loudness assumes."""
    start_s: float = 0.0
    """Where the part to analyse begins."""
    end_s: float | None = None
    """Where it ends; None for the end of the recording."""
    kept: KeptSoundDocument | None = None
    """What was noted when it was kept. Its marks always count, its calibrations and response
    where there is neither a calibration nor a factor."""

    @property
    def calibrated(self) -> bool:
        """Whether levels come out as sound pressure levels."""
        return (
            self.calibration is not None
            or self.pascal_per_unit is not None
            or bool(self.kept_factors)
        )

    @property
    def kept_factors(self) -> dict[int, float]:
        """Pascals per unit by channel, counted from 0, where those noted when it was kept count."""
        if self.kept is None or self.calibration is not None or self.pascal_per_unit is not None:
            return {}
        numbered = enumerate(self.kept.pascal_per_unit)
        return {channel: factor for channel, factor in numbered if factor is not None}

    def whole(self) -> "AnalysisRequest":
        """Return the same of a whole recording."""
        return replace(self, start_s=0.0, end_s=None, kept=None)


@dataclass(frozen=True, slots=True)
class OpenRecording:
    """A recording, nothing taken of it yet."""

    file: str
    """What it is called."""
    source: RecordedSound
    """Its sound."""
    coding: str
    """How its samples are stored, such as ``PCM_24``."""


@dataclass(frozen=True, slots=True, eq=False)
class PreparedRecording:
    """A recording and what its samples mean, ready to be listened to."""

    part: RecordedPart
    """The part that was asked for."""
    pascal_per_unit: float | Samples | None
    """Sound pressure in pascals of a sample of value 1.0, in all channels or in each; None for
    levels re full scale."""
    response: MicrophoneResponse | None
    """Response of the microphone, to be taken out of the sound."""
    calibrations: tuple[CalibrationDocument, ...]
    """The calibrations that count."""
    notes: tuple[str, ...]
    """What limits the recording, in sentences, as far as it is known without listening."""


@dataclass(frozen=True, slots=True, eq=False)
class SoundView:
    """What a recording looks like, averaged over channels as energy."""

    spectrum: Spectrum
    """Spectrum of the whole, of one channel."""
    waterfall: Waterfall
    """Spectra over time, of one channel."""


def check_request(recording: OpenRecording, request: AnalysisRequest) -> None:
    """Find out, without listening, whether a recording can be analysed as asked.

    Parameters
    ----------
    recording : OpenRecording
        The recording.
    request : AnalysisRequest
        What is asked.

    Raises
    ------
    InputError
        If the request contradicts itself or does not suit the recording.
    """
    prepare(recording, request)


def prepare(recording: OpenRecording, request: AnalysisRequest) -> PreparedRecording:
    """Find what is asked of a recording, without listening.

    Parameters
    ----------
    recording : OpenRecording
        The recording.
    request : AnalysisRequest
        What is asked.

    Returns
    -------
    PreparedRecording
        The part, its calibration and its response.

    Raises
    ------
    InputError
        If the request contradicts itself or does not suit the recording.
    """
    calibrations = _calibrations(request)
    notes = coding_notes(recording.coding)
    if request.calibration is not None and len(calibrations) < recording.source.channels:
        notes = (
            *notes,
            f"The calibration was made on channel {request.calibration.channel} and is used for "
            f"all {recording.source.channels} channels.",
        )
    return PreparedRecording(
        part=_part(recording, request),
        pascal_per_unit=_factor(recording, request),
        response=_response(request),
        calibrations=tuple(calibrations),
        notes=(*notes, *_kept_notes(recording, request)),
    )


def analyse_recording(
    recording: OpenRecording,
    request: AnalysisRequest,
    *,
    kernels: Kernels = array_kernels,
    keep: Callable[[ShortLevels], None] = lambda _: None,
    view: Callable[[SoundView], None] | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> AnalysisDocument | UncalibratedAnalysisDocument:
    """Analyse a recording.

    Parameters
    ----------
    recording : OpenRecording
        The recording; the caller closes it.
    request : AnalysisRequest
        What is asked.
    kernels : Kernels, optional
        What filters; by default NumPy.
    keep : callable, optional
        Given all rows of 100 ms as they come.
    view : callable, optional
        Given at the end what it looks like, which takes more time; by default nothing is drawn.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    AnalysisDocument or UncalibratedAnalysisDocument
        What is in it.

    Raises
    ------
    InputError
        If the request contradicts itself or does not suit the recording, or if the recording is
        clipped, silent, cut off or too short.
    CaptureError
        If the recording is damaged.
    """
    prepared = prepare(recording, request)
    measured = measure_recording(
        prepared.part,
        prepared.pascal_per_unit,
        response=prepared.response,
        kernels=kernels,
        waterfall=view is not None,
        keep=keep,
        progress=progress,
    )
    if view is not None:
        view(_view(recording.file, measured))
    return analysis_document(
        prepared.part,
        measured,
        pascal_per_unit=prepared.pascal_per_unit,
        calibrations=prepared.calibrations,
        field=request.field,
        notes=prepared.notes,
    )


def _calibrations(request: AnalysisRequest) -> list[CalibrationDocument]:
    """Return the calibrations that count."""
    if request.calibration is not None:
        return list(request.calibration.by_channel().values())
    if request.kept is None or not request.kept_factors:
        return []
    return request.kept.calibrations


def _response(request: AnalysisRequest) -> MicrophoneResponse | None:
    """Return the response to take out: as asked, else as it was when the sound was kept."""
    if request.response is not None or not request.kept_factors or request.kept is None:
        return request.response
    kept = request.kept.response
    return None if kept is None else kept.to_response()


def _kept_notes(recording: OpenRecording, request: AnalysisRequest) -> tuple[str, ...]:
    """Say what limits sound that was kept."""
    if request.kept is None:
        return ()
    notes = list(request.kept.warnings)
    if not request.kept.finished:
        notes.append(
            f"The keeping of {recording.file} broke off; what was marked in its last second may "
            "not be known."
        )
    factors = request.kept_factors
    notes += [
        f"Channel {channel + 1} was not calibrated and is left out."
        for channel in range(recording.source.channels)
        if factors and channel not in factors
    ]
    return tuple(notes)


def _view(file: str, measured: MeasuredRecording) -> SoundView:
    """Average spectra over the channels that carry sound."""
    if measured.spectrum is None or measured.waterfall is None:
        raise RecordingError(
            f"{file} is shorter than 1 s, so its spectrum cannot be shown; use a longer part."
        )
    density = measured.spectrum.density_pa2_per_hz
    carrying = np.setdiff1d(np.arange(density.shape[1]), measured.silent_channels).tolist()
    return SoundView(
        replace(measured.spectrum, density_pa2_per_hz=density[:, carrying]).mean_of_channels(),
        measured.waterfall.of_channels(carrying).mean_of_channels(),
    )


def _part(recording: OpenRecording, request: AnalysisRequest) -> RecordedPart:
    """Return the part that is asked for, in frames."""
    rate_hz = recording.source.rate_hz
    duration_s = recording.source.frames / rate_hz
    end_s = duration_s if request.end_s is None else request.end_s
    if not (math.isfinite(end_s) and math.isfinite(request.start_s) and request.start_s >= 0.0):
        raise SettingsError("A part of a recording begins and ends at 0 or more seconds of it.")
    first, last = round(request.start_s * rate_hz), round(end_s * rate_hz)
    if last > recording.source.frames or first >= recording.source.frames:
        raise RecordingError(
            f"{recording.file} lasts {duration_s:g} s, so it has no part from "
            f"{request.start_s:g} s to {end_s:g} s; choose one within it."
        )
    if first >= last:
        raise SettingsError(
            f"A part from {request.start_s:g} s to {end_s:g} s has no length; it must end after it "
            "begins."
        )
    channels = tuple(request.kept_factors) or tuple(range(recording.source.channels))
    marked = [] if request.kept is None else request.kept.marked
    return RecordedPart(
        recording.file,
        recording.source,
        first,
        last - first,
        channels=channels,
        marked_s=tuple((mark.start_s, mark.end_s) for mark in marked if mark.concerns(channels)),
    )


def _factor(recording: OpenRecording, request: AnalysisRequest) -> float | Samples | None:
    """Return pascals per unit, of all channels or of each; None without a calibration."""
    if request.kept_factors:
        return np.array(list(request.kept_factors.values()))
    if request.calibration is not None and request.pascal_per_unit is not None:
        raise SettingsError("Give either a calibration or pascals per unit, not both.")
    if request.calibration is not None:
        one = pascal_per_unit_for(recording.source, request.calibration)
        each = request.calibration.by_channel()
        if len(each) == 1:
            return one
        numbers = range(1, recording.source.channels + 1)
        missing = [number for number in numbers if number not in each]
        if missing:
            raise DocumentError(
                f"Channel {missing[0]} of {recording.file} has no calibration, so it has no level; "
                f"calibrate it with 'evenhush calibrate --channel {missing[0]}'."
            )
        return np.array([each[number].pascal_per_unit for number in numbers])
    factor = request.pascal_per_unit
    if factor is not None and not (math.isfinite(factor) and factor > 0.0):
        raise SettingsError(
            f"Pascals per unit must be a positive number, not {factor:g}; calibrate again."
        )
    return factor
