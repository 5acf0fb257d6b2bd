"""Looking at a recording as it is: its spectrum over all that can be used, and over time.

`analyse` refuses a recording that is clipped, as its level cannot be known. Here what cannot be
used is left out, stretch by stretch, and said: a spectrum and its tones need no gapless sound. One
reading of the file gives spectra with lines of 1 Hz in steps of time, spectra with lines of 5 Hz
for a picture, and A-weighted levels of 100 ms; memory does not grow with the recording.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.budget import Budget
from acoustic.decibels import REFERENCE_PRESSURE_PA, energy_mean_db, level_db
from acoustic.frequency_weighting import a_weighting_db
from acoustic.segments import SegmentState, hear_segments, start_segments
from acoustic.signals import DigitalSignal, PressureSignal, Samples
from acoustic.spectrum import Spectrum
from acoustic.waterfall import Waterfall
from calibration.steady_interval import SteadyInterval, judge_recording
from service.documents.calibration import CalibrationDocument
from service.errors import RecordingError
from service.jobs.analysis import PreparedRecording
from service.jobs.left_out_passages import (
    LeftOutPassage,
    PassageWatch,
    bad_share,
    intrusions_in,
    words_about,
)
from service.jobs.recording_levels import RecordedPart
from service.jobs.segment_sums import SegmentSums
from service.ports import SoundBlock

__all__ = ["RecordingReview", "review_recording"]

_FINE_HZ: Final = 1.0
"""Distance of the lines of the spectrum."""
_COARSE_HZ: Final = 5.0
"""Distance of the lines of spectra over time: a segment takes 0.2 s, its step 0.1 s."""
_MOST_STEPS: Final = 128
"""Steps of time in which spectra with fine lines are kept."""
_MOST_LINES: Final = 2**22
"""Lines of all these steps together: 32 MB."""
_MOST_COLUMNS: Final = 360
"""Spectra over time that are kept for a picture."""
_SAMPLES_AT_ONCE: Final = 2**18
"""Most samples of all channels in a block: 2 MB."""
_CHANGES_DB: Final = 1.0
"""Seconds that scatter by more, as a standard deviation, are different states."""
_LEAST_SHARE: Final = 0.25
"""Where less of the steps is free of what is bad, those with the least of it count too."""


@dataclass(frozen=True, slots=True, eq=False)
class RecordingReview:
    """What a recording looks like; levels re 20 uPa, or re full scale."""

    file: str
    """What it is called."""
    rate_hz: int
    """Sampling rate in hertz."""
    channels: int
    """Number of channels that carry sound; spectra and levels are their mean as energy."""
    start_s: float
    """Where the part that was looked at begins, in seconds."""
    duration_s: float
    """How long it is."""
    calibrated: bool
    """Whether levels are sound pressure levels."""
    calibrations: tuple[CalibrationDocument, ...]
    """The calibrations they rest on."""
    spectrum: Spectrum
    """Spectrum of all that is used, of one channel, lines 1 Hz apart."""
    step_s: float
    """Length of the steps of time, in seconds."""
    step_density_pa2_per_hz: npt.NDArray[np.float32]
    """Spectrum of each step in Pa^2/Hz, shape ``(steps, lines)``."""
    step_used: npt.NDArray[np.bool_]
    """Which steps are used, shape ``(steps,)``."""
    overview: Waterfall
    """Spectra over time, of one channel, lines 5 Hz apart."""
    LAeq_db: float
    """A-weighted level of all that is used."""
    listening: Budget | None
    """How far a longer listening may differ from it; None where the sound is not steady."""
    course_s: Samples
    """Middles of the rows of 100 ms from the beginning of the recording, shape ``(rows,)``."""
    course_db: Samples
    """A-weighted level of each row, same shape."""
    course_used: npt.NDArray[np.bool_]
    """Which of them are used, same shape."""
    left_out: tuple[LeftOutPassage, ...]
    """What is not used, in order of time."""
    remarks: tuple[str, ...]
    """What a reader should know, in sentences."""


def review_recording(
    prepared: PreparedRecording, *, progress: Callable[[float], None] = lambda _: None
) -> RecordingReview:
    """Look at a part of a recording.

    Parameters
    ----------
    prepared : PreparedRecording
        The part and what its samples mean.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    RecordingReview
        What it looks like.

    Raises
    ------
    RecordingError
        If it is shorter than a second, silent, or nothing of it can be used.
    EvenhushError
        If it cannot be read.
    """
    part = prepared.part
    listening = _Listening(prepared)
    watch = PassageWatch(part.source.rate_hz, len(part.channels))
    heard = 0
    for block in _blocks(part):
        samples = block.signal.samples[:, part.channels]
        watch.hear(DigitalSignal(samples, block.signal.rate_hz))
        listening.hear(samples)
        heard += len(samples)
        progress(heard / part.frames)
    return listening.review(watch)


def _blocks(part: RecordedPart) -> Iterator[SoundBlock]:
    """Read the part block by block."""
    part.source.skip(part.first_frame)
    at_once = max(_SAMPLES_AT_ONCE // part.source.channels, 1)
    for position in range(0, part.frames, at_once):
        yield part.source.read(min(at_once, part.frames - position))


class _Listening:
    """Everything that is gathered while a recording is read."""

    def __init__(self, prepared: PreparedRecording) -> None:
        part = self._part = prepared.part
        self._prepared = prepared
        rate_hz, channels = part.source.rate_hz, len(part.channels)
        if part.duration_s < 1.0 / _FINE_HZ:
            raise RecordingError(
                f"There are {part.duration_s:.3f} s of {part.file} to look at, but a spectrum "
                f"needs {1.0 / _FINE_HZ:g} s; use a longer part."
            )
        # A unit of the reference pressure makes "dB re 20 uPa" come out as dB re full scale.
        factor = prepared.pascal_per_unit
        self._factor = REFERENCE_PRESSURE_PA if factor is None else factor
        self._fine = start_segments(rate_hz, channels, spacing_hz=_FINE_HZ)
        self._coarse = start_segments(rate_hz, channels, spacing_hz=_COARSE_HZ)
        most_steps = min(_MOST_STEPS, max(_MOST_LINES // self._fine.lines, 1))
        self._fine_per_step = -(-_segments_in(part.frames, self._fine) // most_steps)
        self._coarse_per_column = -(-_segments_in(part.frames, self._coarse) // _MOST_COLUMNS)
        self._steps = SegmentSums(most_steps, self._fine)
        self._columns = SegmentSums(_MOST_COLUMNS, self._coarse)
        self._fine_gain = self._gain(self._fine)
        self._coarse_gain = self._gain(self._coarse)
        frequency_hz = self._coarse.spacing_hz * np.arange(self._coarse.lines, dtype=np.float64)
        weights = 10.0 ** (a_weighting_db(frequency_hz) / 10.0) * self._coarse.spacing_hz
        self._A_weights = (weights * self._coarse_gain).astype(np.float32)
        self._course: list[npt.NDArray[np.float32]] = []

    def _gain(self, state: SegmentState) -> Samples:
        """What takes the response of the microphone out of each line, as power."""
        response = self._prepared.response
        if response is None:
            return np.ones(state.lines)
        response_db = response.at_db(state.spacing_hz * np.arange(state.lines, dtype=np.float64))
        gain: Samples = 10.0 ** (-response_db / 10.0)
        return gain

    def hear(self, samples: Samples) -> None:
        """Take the next samples of the part."""
        digital = DigitalSignal(samples, self._part.source.rate_hz)
        pressure = PressureSignal.from_digital(digital, self._factor)
        self._fine, fine = hear_segments(self._fine, pressure)
        for powers in fine:
            self._steps.add(powers, (powers.first + np.arange(len(powers))) // self._fine_per_step)
        self._coarse, coarse = hear_segments(self._coarse, pressure)
        for powers in coarse:
            number = powers.first + np.arange(len(powers))
            self._columns.add(powers, number // self._coarse_per_column)
            self._course.append(np.dot(powers.density_pa2_per_hz, self._A_weights))

    def review(self, watch: PassageWatch) -> RecordingReview:
        """Put it all together, what is bad left out."""
        part = self._part
        silent = watch.silent_channels
        share = 1.0 - len(silent) / len(part.channels)
        if share == 0.0:
            raise RecordingError(
                f"{part.file} is silent: all its samples have the same value; check the "
                "microphone and record again."
            )
        course_db = level_db(np.concatenate(self._course).astype(np.float64) / share)
        left_out = self._left_out(watch, course_db)
        used_rows = bad_share(left_out, self._coarse, 1, len(course_db)) == 0.0
        steps = int(np.count_nonzero(self._steps.counts))
        step_bad = bad_share(left_out, self._fine, self._fine_per_step, steps)
        limit = float(np.quantile(step_bad, _LEAST_SHARE))
        said = words_about(left_out, part.start_s)
        spectrum = self._steps.mean_of(np.flatnonzero(step_bad <= limit), share=share)
        if limit == 1.0 or not used_rows.any():
            raise RecordingError(f"{part.file} cannot be used: {' '.join(said)}")
        steady, about_level = _judged(course_db[used_rows])
        A_gain = 10.0 ** (a_weighting_db(spectrum.frequency_hz) / 10.0)
        spectrum = replace(
            spectrum, density_pa2_per_hz=spectrum.density_pa2_per_hz * self._fine_gain[:, None]
        )
        A_power = spectrum.density_pa2_per_hz[:, 0] @ A_gain * spectrum.spacing_hz
        return RecordingReview(
            file=part.file,
            rate_hz=part.source.rate_hz,
            channels=len(part.channels) - len(silent),
            start_s=part.start_s,
            duration_s=part.duration_s,
            calibrated=self._prepared.pascal_per_unit is not None,
            calibrations=self._prepared.calibrations,
            spectrum=spectrum,
            step_s=self._fine_per_step * self._fine.hop_s,
            step_density_pa2_per_hz=self._steps.density_pa2_per_hz()[:steps].astype(np.float32),
            step_used=step_bad <= limit,
            overview=self._overview(share),
            LAeq_db=level_db(float(A_power)),
            listening=steady.budget,
            course_s=part.start_s + self._coarse.hop_s * np.arange(1.0, len(course_db) + 1.0),
            course_db=course_db,
            course_used=used_rows,
            left_out=left_out,
            remarks=(
                *self._prepared.notes,
                *said,
                *(
                    f"Channel {part.numbers[channel]} is silent and is left out of the average "
                    "over channels."
                    for channel in silent
                ),
                *about_level,
            ),
        )

    def _left_out(self, watch: PassageWatch, course_db: Samples) -> tuple[LeftOutPassage, ...]:
        """Everything that is not used, in order of time."""
        part = self._part
        marked = [
            LeftOutPassage(max(begin - part.start_s, 0.0), end - part.start_s, "marked")
            for begin, end in part.marked_s
            if begin < part.start_s + part.duration_s and end > part.start_s
        ]
        known = [*marked, *watch.passages()]
        usable = bad_share(known, self._coarse, 1, len(course_db)) == 0.0
        found = [*known, *intrusions_in(course_db, usable, self._coarse.hop_s)]
        return tuple(sorted(found, key=lambda passage: passage.start_s))

    def _overview(self, share: float) -> Waterfall:
        """Spectra over time, for a picture."""
        counts = self._columns.counts[self._columns.counts > 0]
        density = self._columns.density_pa2_per_hz()[: len(counts)] * (self._coarse_gain / share)
        spacing_hz, hop_s = self._coarse.spacing_hz, self._coarse.hop_s
        first = self._coarse_per_column * np.arange(len(counts))
        levels_db = level_db(density * 1.5 * spacing_hz).astype(np.float32)
        return Waterfall(
            spacing_hz=spacing_hz,
            noise_bandwidth_hz=1.5 * spacing_hz,
            step_s=self._coarse_per_column * hop_s,
            # The middle of segment k lies k + 1 half segments after the start.
            time_s=hop_s * (first + 0.5 * (counts + 1.0)),
            power_level_db=levels_db[:, :, None],
        )


def _judged(course_db: Samples) -> tuple[SteadyInterval, list[str]]:
    """How sure the level is, and what to say about it."""
    seconds_db = [
        energy_mean_db(course_db[first : first + 10]) for first in range(0, len(course_db) - 9, 10)
    ]
    if len(seconds_db) > 1 and np.std(seconds_db) > _CHANGES_DB:
        low_db, high_db = np.quantile(seconds_db, [0.1, 0.9])
        return SteadyInterval(None, None), [
            f"The level changes by {high_db - low_db:.0f} dB in the course of the sound, so "
            "spectrum and tones are averages over different states; choose a part of it with "
            "--from and --to."
        ]
    steady = judge_recording(course_db)
    return steady, [] if steady.why_not is None else [steady.why_not]


def _segments_in(frames: int, state: SegmentState) -> int:
    """How many segments a number of frames holds."""
    hop = state.segment_frames // 2
    return max(0, (frames - state.segment_frames) // hop + 1)
