"""Looking at a recorded sweep: its sound, block by block and more than once, against a speed."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.ndimage import median_filter

from acoustic.calm_speeds import SpeedHeard, speeds_heard
from acoustic.decibels import REFERENCE_PRESSURE_PA, level_db
from acoustic.order_crossings import Crossing, find_crossings
from acoustic.order_tracks import OrderTrack, order_tracks, staying_tones
from acoustic.over_speed import OverSpeed, gather_over_speed
from acoustic.rotors import Rotor
from acoustic.segments import hear_segments, start_segments
from acoustic.signals import DigitalSignal, PressureSignal
from acoustic.speed_course import SpeedCourse
from acoustic.speed_from_sound import SpeedFromSound, speed_from_sound
from acoustic.tones import DiscreteTone
from service.errors import RecordingError
from service.jobs.analysis import PreparedRecording
from service.jobs.left_out_passages import (
    LeftOutPassage,
    PassageWatch,
    bad_share,
    intrusions_in,
    words_about,
)

__all__ = [
    "OrderReview",
    "chosen_rotor",
    "follow_speed",
    "is_swept",
    "review_orders",
    "swept_rotor",
]

_SAMPLES_AT_ONCE: Final = 2**18
"""Most samples of all channels in a block: 2 MB."""
_COARSE_HZ: Final = 5.0
_LEAST_CHANGE: Final = 0.1
"""Relative range of speeds from which orders can be told from what stays."""
_SWEEP: Final = 1.33
_APART: Final = 0.02
_SWEPT_SHARE: Final = 0.7
"""A sweep covers such a range, and so much of it in such relative steps."""
_BANDS_HZ: Final = np.geomspace(100.0, 6400.0, 19)
"""Edges of one-third octaves: what lifts most of them at once is no order that meets something."""
_AROUND_ROWS: Final = 61
"""Rows of 100 ms whose median is the usual level at the time."""
_PASSES: Final = 5
"""How often the sound is gone through."""


@dataclass(frozen=True, slots=True, eq=False)
class OrderReview:
    """What a sweep looks like over the speed of one rotor."""

    prepared: PreparedRecording
    """The recording and what its samples mean."""
    rotor: Rotor
    """The rotor, at its median speed."""
    others: Mapping[str, SpeedCourse]
    """Speeds of what turned beside it."""
    speed: SpeedFromSound
    """Its speed over time, from the beginning of the part."""
    heard: OverSpeed
    """Spectra over speed."""
    speeds: tuple[SpeedHeard, ...]
    """Levels and prominent tones at every speed."""
    tracks: tuple[OrderTrack, ...]
    """What follows the speed."""
    stays: tuple[DiscreteTone, ...]
    """What does not."""
    crossings: tuple[Crossing, ...]
    """Where they meet something."""
    left_out: tuple[LeftOutPassage, ...]
    """What is not used, from the beginning of the part."""
    remarks: tuple[str, ...]
    """What a reader should know."""

    @property
    def calibrated(self) -> bool:
        """Whether levels are sound pressure levels."""
        return self.prepared.pascal_per_unit is not None


def chosen_rotor(courses: Mapping[str, SpeedCourse], name: str | None, file: str) -> str:
    """Choose a rotor.

    Parameters
    ----------
    courses : mapping of str to SpeedCourse
        Speeds over time by the names of the rotors.
    name : str or None
        The one that is asked for; None for the one whose speed changes most.
    file : str
        The recording, for the sentence.

    Returns
    -------
    str
        Its name.

    Raises
    ------
    RecordingError
        If there is none.
    """
    if not courses:
        raise RecordingError(
            f"No speed over time is known of {file}; give a table with --speeds, or use sound of "
            "a sweep that was kept at a bench with tachometers."
        )
    if name is not None and name not in courses:
        raise RecordingError(
            f"No speed of '{name}' is known in {file}; there is {', '.join(courses)}."
        )
    return name or max(courses, key=lambda each: _range(courses[each]))


def swept_rotor(courses: Mapping[str, SpeedCourse], name: str | None, file: str) -> str:
    """Choose a rotor whose speed is swept.

    Parameters
    ----------
    courses, name, file
        As of `chosen_rotor`.

    Returns
    -------
    str
        Its name.

    Raises
    ------
    RecordingError
        If there is none, or its speed hardly changes.
    """
    chosen = chosen_rotor(courses, name, file)
    changes = _range(courses[chosen])
    if changes < _LEAST_CHANGE:
        raise RecordingError(
            f"The speed of {chosen} changes by only {100 * changes:.0f} % in {file}, which "
            f"does not tell what follows it; use a sweep, or 'evenhush tones' for one speed."
        )
    return chosen


def is_swept(courses: Mapping[str, SpeedCourse], start_s: float, end_s: float) -> bool:
    """Tell whether a speed is swept in a part of a recording.

    Parameters
    ----------
    courses : mapping of str to SpeedCourse
        Speeds over time by the names of the rotors.
    start_s, end_s : float
        The part.

    Returns
    -------
    bool
        Whether one changes by a third and passes many speeds on its way.
    """
    # Fine enough that a fast glide leaves no step out.
    time_s = np.arange(start_s, end_s, 0.1)
    for course in courses.values():
        rpm = course.at(time_s)
        rpm = rpm[np.isfinite(rpm)]
        if len(rpm) and rpm.max() > _SWEEP * rpm.min():
            passed = np.unique(np.round(np.log(rpm) / _APART))
            if len(passed) >= _SWEPT_SHARE * np.log(rpm.max() / rpm.min()) / _APART:
                return True
    return False


def _range(course: SpeedCourse) -> float:
    """Relative range of a speed."""
    return float(np.ptp(np.log(course.rpm)))


def follow_speed(
    opened: Callable[[], AbstractContextManager[PreparedRecording]],
    read: SpeedCourse,
    rotor: Rotor,
) -> SpeedCourse:
    """Find the speed of a rotor in a part of a recording, as its tones tell it.

    Parameters
    ----------
    opened : callable
        Opens the recording anew.
    read : SpeedCourse
        Speed over time as it was read, from the beginning of the recording.
    rotor : Rotor
        The rotor.

    Returns
    -------
    SpeedCourse
        The speed, from the beginning of the recording too.

    Raises
    ------
    EvenhushError
        If it cannot be read, or the speed is known nowhere in it.
    """
    sound = _Sound(opened, lambda _: None)
    start_s = sound.prepared.part.start_s
    found = speed_from_sound(sound.blocks, read.later(-start_s), rotor)
    return found.course.later(start_s)


def review_orders(
    opened: Callable[[], AbstractContextManager[PreparedRecording]],
    courses: Mapping[str, SpeedCourse],
    rotor: Rotor,
    *,
    progress: Callable[[float], None] = lambda _: None,
) -> OrderReview:
    """Look at a part of a recording over the speed of a rotor.

    Parameters
    ----------
    opened : callable
        Opens the recording anew.
    courses : mapping of str to SpeedCourse
        Speeds over time from the beginning of the recording, by the names of the rotors.
    rotor : Rotor
        The rotor whose speed changes.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    OrderReview
        What it looks like.

    Raises
    ------
    EvenhushError
        If it cannot be read, or nothing of it can be used.
    """
    sound = _Sound(opened, progress)
    prepared = sound.prepared
    start_s = prepared.part.start_s
    read = courses[rotor.name].later(-start_s)
    left_out = sound.left_out()
    speed = speed_from_sound(sound.blocks, read, rotor)
    heard = gather_over_speed(
        sound.blocks,
        speed.course,
        response=prepared.response,
        left_out_s=[(each.start_s, each.end_s) for each in left_out],
    )
    calibrated = prepared.pascal_per_unit is not None
    stays = staying_tones(heard, calibrated=calibrated)
    tracks = order_tracks(heard, rotor, stays, calibrated=calibrated)
    segment_s = 0.5 / heard.spacing_hz
    return OrderReview(
        prepared=prepared,
        rotor=replace(rotor, rpm=float(np.median(speed.course.rpm))),
        others={
            name: course.later(-start_s) for name, course in courses.items() if name != rotor.name
        },
        speed=speed,
        heard=heard,
        speeds=speeds_heard(heard, calibrated=calibrated, hop_s=segment_s),
        tracks=tracks,
        stays=stays,
        crossings=find_crossings(tracks, stays),
        left_out=left_out,
        remarks=(
            *prepared.notes,
            *words_about(left_out, start_s),
            *_speed_words(speed, heard, rotor, bool(tracks), segment_s),
        ),
    )


class _Sound:
    """A recording that is gone through several times."""

    def __init__(
        self,
        opened: Callable[[], AbstractContextManager[PreparedRecording]],
        progress: Callable[[float], None],
    ) -> None:
        self._opened = opened
        self._progress = progress
        self._passes = 0
        with opened() as prepared:
            self.prepared = prepared

    def digital(self) -> Iterator[DigitalSignal]:
        """Go through its samples."""
        done = self._passes / _PASSES
        self._passes += 1
        with self._opened() as prepared:
            part = prepared.part
            part.source.skip(part.first_frame)
            at_once = max(_SAMPLES_AT_ONCE // part.source.channels, 1)
            for position in range(0, part.frames, at_once):
                block = part.source.read(min(at_once, part.frames - position))
                samples = block.signal.samples[:, part.channels]
                yield DigitalSignal(samples, block.signal.rate_hz)
                self._progress(min(done + position / part.frames / _PASSES, 1.0))

    def blocks(self) -> Iterator[PressureSignal]:
        """Go through it as pressure; without a calibration dB come out re full scale."""
        factor = self.prepared.pascal_per_unit
        for block in self.digital():
            yield PressureSignal.from_digital(
                block, REFERENCE_PRESSURE_PA if factor is None else factor
            )

    def left_out(self) -> tuple[LeftOutPassage, ...]:
        """Find what cannot be used, in order of time."""
        part = self.prepared.part
        watch = PassageWatch(part.source.rate_hz, len(part.channels))
        state = start_segments(part.source.rate_hz, len(part.channels), spacing_hz=_COARSE_HZ)
        edges = np.unique(np.minimum(_BANDS_HZ / state.spacing_hz, state.lines - 1).astype(np.int_))
        rows = []
        for block in self.digital():
            watch.hear(block)
            state, powers = hear_segments(state, PressureSignal.from_digital(block, 1.0))
            rows += [
                np.add.reduceat(each.density_pa2_per_hz, edges, axis=1)[:, :-1] for each in powers
            ]
        if len(watch.silent_channels) == len(part.channels) or not rows:
            raise RecordingError(
                f"{part.file} is silent or too short; check the microphone and record again."
            )
        end_s = part.start_s + part.duration_s
        known = [
            LeftOutPassage(max(begin - part.start_s, 0.0), end - part.start_s, "marked")
            for begin, end in part.marked_s
            if begin < end_s and end > part.start_s
        ]
        known += watch.passages()
        bands_db = level_db(np.concatenate(rows).astype(np.float64))
        usable = bad_share(known, state, 1, len(bands_db)) == 0.0
        # Silence has no level to stand out of.
        bands_db = np.maximum(bands_db, float(np.max(bands_db)) - 120.0)
        usual_db = median_filter(bands_db, (_AROUND_ROWS, 1), mode="nearest")
        rise_db = np.median(bands_db - usual_db, axis=1)
        found = [*known, *intrusions_in(rise_db, usable, state.hop_s)]
        return tuple(sorted(found, key=lambda passage: passage.start_s))


def _speed_words(
    speed: SpeedFromSound,
    heard: OverSpeed,
    rotor: Rotor,
    follows: bool,  # noqa: FBT001 - one finding among others
    segment_s: float,
) -> list[str]:
    """Say what is the matter with the speeds."""
    texts = []
    if not follows:
        texts.append(
            f"No tone follows the speed of {rotor.name}: either none stands out, or the speeds are "
            "not those of this recording."
        )
    elif abs(speed.deviation) > 0.012:
        faster = "faster" if speed.deviation > 0 else "slower"
        texts.append(
            f"By its tones {rotor.name} turned {100 * abs(speed.deviation):.1f} % {faster} than "
            "was read; check the tachometer."
        )
    used = int(heard.counts.sum())
    if used < 0.7 * heard.segments:
        texts.append(
            f"Only {used * segment_s:.0f} of {heard.segments * segment_s:.0f} s have both a known "
            "speed and sound that can be used."
        )
    gaps = np.diff(np.log(heard.rpm)) / heard.width
    if len(gaps) and gaps.max() > 4.0:
        place = int(np.argmax(gaps))
        texts.append(
            f"Between {heard.rpm[place]:.0f} and {heard.rpm[place + 1]:.0f} rpm nothing was heard."
        )
    if len(heard.rpm) < 7:
        texts.append(
            f"Only {len(heard.rpm)} speeds were heard, too few to tell what orders meet; a glide "
            "or steps of a few per cent tell more."
        )
    return texts
