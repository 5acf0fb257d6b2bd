"""A recording from its sound to its levels and its spectrum, block by block."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.analyser import analyse, finish, start
from acoustic.decibels import REFERENCE_PRESSURE_PA, level_db
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
from acoustic.soundness import faults_in
from acoustic.spectrum import (
    Spectrum,
    SpectrumState,
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
from calibration.steady_interval import LONGEST_S
from service.errors import RecordingError
from service.jobs.left_out import LeftOut
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
    levels = start(source.rate_hz, channels, kernels=kernels)
    spectrum = start_spectrum(source.rate_hz, channels, spacing_hz=_SPACING_HZ, precision="single")
    correction = None if response is None else start_correction(response, source.rate_hz, channels)
    over_time = _waterfall_for(part) if waterfall else None
    course = _Course()
    left_out = part.left_out
    totals: LevelTotals | None = None
    offset: Samples | None = None
    heard = 0
    for block in _blocks(part):
        digital = block.signal
        used = left_out.frames_used(heard, len(digital.samples))
        _watch_used(watch, block, used)
        if offset is None:
            offset = _offset(digital.samples[: _offset_frames(part)])
        centred = DigitalSignal(digital.samples - offset, digital.rate_hz)
        if correction is not None:
            corrected, correction = correct(correction, centred.samples)
            centred = DigitalSignal(corrected, digital.rate_hz)
        pressure = PressureSignal.from_digital(centred, factor)
        levels, rows = analyse(levels, pressure)
        spectrum = _added_to_spectrum(spectrum, pressure, used)
        if over_time is not None:
            over_time = add_to_waterfall(over_time, pressure)
        for usable in left_out.rows_used(rows):
            totals = _added(totals, usable, keep)
            course.add(usable)
        heard += len(digital.samples)
        progress(heard / part.frames)
    rows = finish(levels)
    totals = no_totals(rows) if totals is None else totals
    for usable in left_out.rows_used(rows):
        totals = _added(totals, usable, keep)
        course.add(usable)

    if totals.rows == 0 and left_out:
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
    if totals.rows == 0:
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
        LAeq_course_db=course.levels_db,
        waterfall=_shown(over_time),
    )


class _Course:
    """LAeq of each 100 ms, as far as it is worth keeping."""

    def __init__(self) -> None:
        self._parts: list[Samples] = []
        self._rows = 0

    def add(self, rows: ShortLevels) -> None:
        """Take the next rows."""
        self._rows += len(rows)
        if self._rows * ROW_S > LONGEST_S:
            self._parts.clear()
        else:
            self._parts.append(level_db(rows.A_mean_square_pa2.mean(axis=1)))

    @property
    def levels_db(self) -> Samples | None:
        """All of them; None for more than an hour."""
        return np.concatenate(self._parts) if self._parts else None


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


def _watch_used(watch: SoundnessWatch, block: SoundBlock, used: list[tuple[int, int]]) -> None:
    """Look at the stretches of a block that are used."""
    frames = len(block.signal.samples)
    if used == [(0, frames)]:
        watch.hear(block)
        return
    others = _other_faults(block)
    position = 0
    for begin, end in used:
        if begin > position:
            watch.pass_over(begin - position)
        samples = block.signal.samples[begin:end]
        watch.hear(SoundBlock(DigitalSignal(samples, block.signal.rate_hz), others))
        position = end
    if frames > position:
        watch.pass_over(frames - position)


def _added_to_spectrum(
    spectrum: SpectrumState, pressure: PressureSignal, used: list[tuple[int, int]]
) -> SpectrumState:
    """Add the stretches of a block that are used."""
    frames = len(pressure.samples)
    position = 0
    for begin, end in used:
        if begin > position:
            spectrum = interrupted(spectrum)
        stretch = PressureSignal(pressure.samples[begin:end], pressure.rate_hz)
        spectrum = add_to_spectrum(spectrum, stretch)
        position = end
    return interrupted(spectrum) if frames > position else spectrum


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
