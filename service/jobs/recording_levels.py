"""A recording from its sound to its levels and its spectrum, block by block."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.analyser import analyse, finish, start
from acoustic.decibels import REFERENCE_PRESSURE_PA
from acoustic.kernels import Kernels
from acoustic.level_statistics import (
    LevelSummary,
    LevelTotals,
    add_levels,
    no_totals,
    summarise,
)
from acoustic.microphone_response import MicrophoneResponse, correct, start_correction
from acoustic.short_levels import ROW_S, ShortLevels
from acoustic.signals import DigitalSignal, PressureSignal, Samples
from acoustic.spectrum import Spectrum, add_to_spectrum, averaged_spectrum, start_spectrum
from service.errors import RecordingError
from service.jobs.recording_soundness import SoundnessWatch, Standstill
from service.ports import RecordedSound, SoundBlock

__all__ = ["MeasuredRecording", "RecordedPart", "measure_recording"]

_BLOCK_S: Final = 2.0
"""Length of a block, in seconds: each then completes four segments of the spectrum, as many as
the transform computes side by side."""
_SAMPLES_AT_ONCE: Final = 2**19
"""Most samples of all channels in a block: 4 MB."""
_SPACING_HZ: Final = 1.0
"""Distance of spectral lines: fine for every critical band, coarse for a tone that wanders."""
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

    @property
    def start_s(self) -> float:
        """Where the part begins, in seconds."""
        return self.first_frame / self.source.rate_hz

    @property
    def duration_s(self) -> float:
        """How long it is, in seconds."""
        return self.frames / self.source.rate_hz


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredRecording:
    """What was measured, channel by channel; levels re 20 uPa, or re full scale."""

    summary: LevelSummary
    """Levels of the whole."""
    spectrum: Spectrum | None
    """Averaged spectrum; None where the sound is too short for one."""
    silent_channels: tuple[int, ...]
    """Channels that carry nothing, counted from 0; never all."""
    standstills: tuple[Standstill, ...]
    """Where other channels keep one value for longer than sound does."""


def measure_recording(
    part: RecordedPart,
    pascal_per_unit: float | None,
    *,
    kernels: Kernels,
    response: MicrophoneResponse | None = None,
    keep: Callable[[ShortLevels], None],
    progress: Callable[[float], None],
) -> MeasuredRecording:
    """Measure a part of a recording, in memory that does not grow with its length.

    Parameters
    ----------
    part : RecordedPart
        The part.
    pascal_per_unit : float or None
        Sound pressure in pascals of a sample of value 1.0; None for levels re full scale.
    kernels : Kernels
        What filters.
    response : MicrophoneResponse, optional
        Response of the microphone, to be taken out of the sound.
    keep : callable
        Given all rows of 100 ms as they come.
    progress : callable
        Told the share that is done, 0 to 1.

    Returns
    -------
    MeasuredRecording
        Levels and spectrum.

    Raises
    ------
    RecordingError
        If it is clipped, silent, cut off or shorter than 0.1 s.
    EvenhushError
        If it cannot be read, or its rate is none that can be measured.
    """
    source = part.source
    # A unit of the reference pressure makes "dB re 20 uPa" come out as dB re full scale.
    factor = REFERENCE_PRESSURE_PA if pascal_per_unit is None else pascal_per_unit
    watch = SoundnessWatch(part.file, source.rate_hz, source.channels, part.start_s)
    levels = start(source.rate_hz, source.channels, kernels=kernels)
    spectrum = start_spectrum(
        source.rate_hz, source.channels, spacing_hz=_SPACING_HZ, precision="single"
    )
    correction = (
        None if response is None else start_correction(response, source.rate_hz, source.channels)
    )
    totals: LevelTotals | None = None
    offset: Samples | None = None
    heard = 0
    for block in _blocks(part):
        watch.hear(block)
        digital = block.signal
        if offset is None:
            offset = _offset(digital.samples[: _offset_frames(part)])
        centred = DigitalSignal(digital.samples - offset, digital.rate_hz)
        if correction is not None:
            corrected, correction = correct(correction, centred.samples)
            centred = DigitalSignal(corrected, digital.rate_hz)
        pressure = PressureSignal.from_digital(centred, factor)
        levels, rows = analyse(levels, pressure)
        spectrum = add_to_spectrum(spectrum, pressure)
        totals = _added(totals, rows, keep)
        heard += len(digital.samples)
        progress(heard / part.frames)
    totals = _added(totals, finish(levels), keep)

    silent = watch.silent_channels
    if len(silent) == source.channels:
        raise RecordingError(
            f"{part.file} is silent: all its samples have the same value; check the microphone and "
            "record again."
        )
    if totals.rows == 0:
        raise RecordingError(
            f"There are {part.duration_s:.3f} s of {part.file} to analyse, but a level needs "
            f"{ROW_S} s; use a longer recording."
        )
    return MeasuredRecording(
        summary=summarise(totals),
        spectrum=averaged_spectrum(spectrum) if spectrum.segments else None,
        silent_channels=silent,
        standstills=watch.standstills,
    )


def _blocks(part: RecordedPart) -> Iterator[SoundBlock]:
    """Read the part block by block."""
    part.source.skip(part.first_frame)
    at_once = min(round(_BLOCK_S * part.source.rate_hz), _SAMPLES_AT_ONCE // part.source.channels)
    at_once = max(at_once, _offset_frames(part))
    for position in range(0, part.frames, at_once):
        yield part.source.read(min(at_once, part.frames - position))


def _offset_frames(part: RecordedPart) -> int:
    """How many frames show the offset, however the sound is cut into blocks."""
    return math.ceil(_OFFSET_S * part.source.rate_hz)


def _offset(samples: Samples) -> Samples:
    """Constant offset of the converter, where it is large enough to matter; else zero.

    The weightings pass no constant, but its onset at the first frame is a bang to them.
    """
    mean = samples.mean(axis=0)
    return np.where(np.abs(mean) > _OFFSET_SHARE * samples.std(axis=0), mean, 0.0)


def _added(
    totals: LevelTotals | None, rows: ShortLevels, keep: Callable[[ShortLevels], None]
) -> LevelTotals:
    """Hand rows on, and add them to the totals."""
    if len(rows):
        keep(rows)
    return add_levels(no_totals(rows) if totals is None else totals, rows)
