"""A recording from its sound to its levels and its spectrum, block by block."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.decibels import REFERENCE_PRESSURE_PA
from acoustic.kernels import Kernels
from acoustic.level_statistics import LevelSummary, summarise
from acoustic.microphone_response import MicrophoneResponse, correct, start_correction
from acoustic.short_levels import ROW_S, ShortLevels
from acoustic.signals import DigitalSignal, PressureSignal, Samples
from acoustic.soundness import faults_in
from acoustic.spectrum import (
    Spectrum,
    add_to_spectrum,
    averaged_spectrum,
    interrupted,
    start_spectrum,
)
from acoustic.waterfall import (
    Waterfall,
    WaterfallState,
    add_to_waterfall,
    start_waterfall,
    waterfall_so_far,
)
from service.errors import RecordingError
from service.jobs.left_out import LeftOut
from service.jobs.level_meter import LevelMeter
from service.jobs.recording_soundness import SoundnessWatch, Standstill
from service.ports import RecordedSound, SoundBlock

__all__ = ["MeasuredRecording", "RecordedPart", "measure_recording"]

_BLOCK_S: Final = 8.0
"""Length of a block, in seconds: long against what a call takes by itself; and each completes
sixteen segments of the spectrum, of which the transform computes four side by side."""
_SAMPLES_AT_ONCE: Final = 2**19
"""Most samples of all channels in a block: 4 MB."""
_SPACING_HZ: Final = 1.0
"""Distance of spectral lines: fine for every critical band, coarse for a tone that wanders."""
_WATERFALL_SPACING_HZ: Final = 5.0
"""Distance of lines of spectra over time: close enough for the harmonics of a shaft, wide enough
for a step of 0.1 s."""
_LEAST_STEP_S: Final = 0.1
"""Time from one of these spectra to the next where the sound is short."""
_COLUMNS: Final = 360
"""Number of these spectra at most, over all channels: 7 MB at 48 kHz, whatever the length."""
_OFFSET_SHARE: Final = 0.05
"""An offset below this share of the sound is left alone: its onset is 26 dB below the sound."""
_OFFSET_S: Final = 0.25
"""How much sound shows the offset; taken for one, the swing of a rumble does no harm, as that
begins as abruptly."""


@dataclass(frozen=True, slots=True)
class RecordedPart:
    """Which part of which recording."""

    file: str
    """What the recording is called."""
    source: RecordedSound
    """Its sound, nothing taken of it yet."""
    first_frame: int
    """Where the part begins."""
    frames: int
    """How long it is."""
    channels: tuple[int, ...]
    """Which channels, counted from 0, in rising order."""
    marked_s: tuple[tuple[float, float], ...] = ()
    """Beginning and end of each interval of the recording that is left out."""

    @property
    def start_s(self) -> float:
        """Where the part begins, in seconds."""
        return self.first_frame / self.source.rate_hz

    @property
    def duration_s(self) -> float:
        """How long it is, in seconds."""
        return self.frames / self.source.rate_hz

    @property
    def numbers(self) -> tuple[int, ...]:
        """Which channels, counted from 1."""
        return tuple(channel + 1 for channel in self.channels)

    @property
    def left_out(self) -> LeftOut:
        """What is left out of it."""
        return LeftOut(
            self.marked_s,
            start_s=self.start_s,
            duration_s=self.duration_s,
            rate_hz=self.source.rate_hz,
        )


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredRecording:
    """What was measured, channel by channel; levels re 20 uPa, or re full scale."""

    summary: LevelSummary
    """Levels of the whole."""
    channels: tuple[int, ...]
    """Which channel of the recording each is, counted from 0."""
    left_out: LeftOut
    """What is not in the levels and the spectrum."""
    spectrum: Spectrum | None
    """Averaged spectrum; None where the sound is too short for one."""
    silent_channels: tuple[int, ...]
    """Places, counted from 0, of those channels that carry nothing; never all."""
    standstills: tuple[Standstill, ...]
    """Where other channels keep one value for longer than sound does."""
    LAeq_course_db: Samples | None
    """LAeq of each 100 ms, averaged over channels as energy; None for more than an hour."""
    waterfall: Waterfall | None
    """Spectra over time; None where none was asked for or the sound is too short for one."""


def measure_recording(
    part: RecordedPart,
    pascal_per_unit: float | Samples | None,
    *,
    kernels: Kernels,
    response: MicrophoneResponse | None = None,
    waterfall: bool = False,
    keep: Callable[[ShortLevels], None],
    progress: Callable[[float], None],
) -> MeasuredRecording:
    """Measure a part of a recording, in memory that does not grow with its length.

    Parameters
    ----------
    part : RecordedPart
        The part.
    pascal_per_unit : float, ndarray of shape (channels,), or None
        Sound pressure in pascals of a sample of value 1.0, in all channels or in each; None for
        levels re full scale.
    kernels : Kernels
        What filters.
    response : MicrophoneResponse, optional
        Response of the microphone, to be taken out of the sound.
    waterfall : bool, optional
        Whether to measure spectra over time too; by default not.
    keep : callable
        Given all rows of 100 ms that are used, as they come.
    progress : callable
        Told the share that is done, 0 to 1.

    Returns
    -------
    MeasuredRecording
        Levels and spectrum.

    Raises
    ------
    RecordingError
        If it is clipped, silent, cut off or shorter than 0.1 s, or nothing of it is used.
    EvenhushError
        If it cannot be read, or its rate is none that can be measured.
    """
    source = part.source
    # A unit of the reference pressure makes "dB re 20 uPa" come out as dB re full scale.
    factor = REFERENCE_PRESSURE_PA if pascal_per_unit is None else pascal_per_unit
    channels = len(part.channels)
    watch = SoundnessWatch(part.file, source.rate_hz, channels, part.start_s, part.numbers)
    meter = LevelMeter(source.rate_hz, channels, kernels=kernels, keep=keep)
    spectrum = start_spectrum(source.rate_hz, channels, spacing_hz=_SPACING_HZ, precision="single")
    at_rest = None if response is None else start_correction(response, source.rate_hz, channels)
    correction = at_rest
    over_time = _waterfall_for(part) if waterfall else None
    left_out = part.left_out
    offset: Samples | None = None
    heard = 0
    for block in _blocks(part):
        if offset is None:
            offset = _offset(block.signal.samples[: _offset_frames(part)])
        for stretch, used in _stretches(block, left_out, heard):
            digital = stretch.signal
            frames = len(digital.samples)
            centred = DigitalSignal(digital.samples - offset, digital.rate_hz)
            if correction is not None:
                corrected, correction = correct(correction, centred.samples)
                centred = DigitalSignal(corrected, digital.rate_hz)
            pressure = PressureSignal.from_digital(centred, factor)
            if over_time is not None:
                over_time = add_to_waterfall(over_time, pressure)
            if used:
                watch.hear(stretch)
                meter.hear(pressure, heard)
                spectrum = add_to_spectrum(spectrum, pressure)
            else:
                # Nothing of what is bad may ring on in what comes after it.
                watch.pass_over(frames)
                meter.interrupt()
                spectrum, correction = interrupted(spectrum), at_rest
            heard += frames
        progress(heard / part.frames)
    meter.interrupt()

    totals = meter.totals
    if left_out and (totals is None or totals.rows == 0):
        raise RecordingError(
            f"All {part.duration_s:g} s of {part.file} touch what was marked as bad when it was "
            "kept, so no level can be given; choose another part."
        )
    silent = watch.silent_channels
    if len(silent) == channels:
        raise RecordingError(
            f"{part.file} is silent: all its samples have the same value; check the microphone and "
            "record again."
        )
    if totals is None or totals.rows == 0:
        raise RecordingError(
            f"There are {part.duration_s:.3f} s of {part.file} to analyse, but a level needs "
            f"{ROW_S} s; use a longer recording."
        )
    return MeasuredRecording(
        summary=summarise(totals),
        channels=part.channels,
        left_out=left_out,
        spectrum=averaged_spectrum(spectrum) if spectrum.segments else None,
        silent_channels=silent,
        standstills=watch.standstills,
        LAeq_course_db=meter.course_db,
        waterfall=_shown(over_time),
    )


def _waterfall_for(part: RecordedPart) -> WaterfallState:
    """Begin a waterfall whose columns fit the length of the part."""
    channels = len(part.channels)
    columns = max(2, 2 * (_COLUMNS // (2 * channels)))
    step_s = max(_LEAST_STEP_S, part.duration_s / columns)
    return start_waterfall(
        part.source.rate_hz,
        channels,
        spacing_hz=_WATERFALL_SPACING_HZ,
        step_s=step_s,
        most_columns=columns,
    )


def _shown(state: WaterfallState | None) -> Waterfall | None:
    """Show a waterfall, if there is one with anything in it."""
    if state is None or not (state.columns or state.spectrum.segments):
        return None
    return waterfall_so_far(state)


def _blocks(part: RecordedPart) -> Iterator[SoundBlock]:
    """Read the part block by block."""
    part.source.skip(part.first_frame)
    at_once = min(round(_BLOCK_S * part.source.rate_hz), _SAMPLES_AT_ONCE // part.source.channels)
    at_once = max(at_once, _offset_frames(part))
    for position in range(0, part.frames, at_once):
        block = part.source.read(min(at_once, part.frames - position))
        if len(part.channels) < part.source.channels:
            chosen = block.signal.samples[:, part.channels]
            block = SoundBlock(DigitalSignal(chosen, block.signal.rate_hz), _other_faults(block))
        yield block


def _other_faults(block: SoundBlock) -> tuple[str, ...]:
    """Faults that the samples themselves do not show."""
    shown = faults_in(block.signal)
    return tuple(fault for fault in block.faults if fault not in shown)


def _stretches(
    block: SoundBlock, left_out: LeftOut, first_frame: int
) -> Iterator[tuple[SoundBlock, bool]]:
    """Cut a block where what is left out begins and ends; tell of each stretch if it is used."""
    runs = left_out.runs(first_frame, len(block.signal.samples))
    if len(runs) == 1:
        yield block, runs[0][2]
        return
    others = _other_faults(block)
    for begin, end, used in runs:
        samples = block.signal.samples[begin:end]
        yield SoundBlock(DigitalSignal(samples, block.signal.rate_hz), others), used


def _offset_frames(part: RecordedPart) -> int:
    """How many frames show the offset, however the sound is cut into blocks."""
    return math.ceil(_OFFSET_S * part.source.rate_hz)


def _offset(samples: Samples) -> Samples:
    """Constant offset of the converter, where it is large enough to matter; else zero.

    The weightings pass no constant, but its onset at the first frame is a bang to them.
    """
    mean = samples.mean(axis=0)
    return np.where(np.abs(mean) > _OFFSET_SHARE * samples.std(axis=0), mean, 0.0)
