"""A passage to listen to: as it is, a tone alone, or without it, at a level that does not hurt.

What a file's full scale is to the ear depends on a volume that nobody here knows. So a passage is
written well below full scale, without a peak near it, and begins and ends softly. What it is
taken apart into has one gain, so that the parts compare.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.fft import rfft

from acoustic.decibels import REFERENCE_PRESSURE_PA
from acoustic.frequency_weighting import a_weighting_db
from acoustic.signals import DigitalSignal, Samples
from acoustic.speed_course import SpeedCourse
from acoustic.tone_filter import band_around, tone_half_width_hz
from service.errors import RecordingError, SettingsError
from service.jobs.analysis import PreparedRecording

__all__ = ["Excerpt", "ExcerptRequest", "FollowedOrder", "cut_excerpt"]

What = Literal["passage", "tone alone", "without the tone"]
"""What is heard."""

_USUAL_DBFS: Final = -32.0
"""A-weighted level of a passage re full scale."""
_LOUDEST_DBFS: Final = -24.0
"""The most it may have where a scale is given."""
_PEAK_DBFS: Final = -9.0
"""Highest sample, whatever the level."""
_LONGEST_S: Final = 120.0
_SHORTEST_S: Final = 0.5
_FADE_S: Final = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class FollowedOrder:
    """An order of a rotor that is followed."""

    rotor: str
    """The rotor."""
    order: int
    """The order."""
    course: SpeedCourse
    """Its speed, from the beginning of the recording."""


@dataclass(frozen=True, slots=True, eq=False)
class ExcerptRequest:
    """What is to be heard."""

    what: What
    """The passage, a tone alone, or all but it."""
    frequency_hz: Sequence[float] = ()
    """Tones that are taken out or left."""
    followed: FollowedOrder | None = None
    """An order instead of fixed tones."""
    full_scale_db: float | None = None
    """Sound pressure level that full scale stands for; None for the usual playback level."""


@dataclass(frozen=True, slots=True, eq=False)
class Excerpt:
    """A passage to listen to."""

    signal: DigitalSignal
    """Its samples."""
    gain_db: float
    """Gain from the recording to it."""
    frequency_hz: tuple[float, ...]
    """Frequencies of the tones at its beginning."""
    half_width_hz: tuple[float, ...]
    """Half-widths of the bands around them."""
    full_scale_db: float | None
    """Sound pressure level of its full scale; None without a calibration."""
    passage_LAeq_dbfs: float
    """A-weighted level of the whole passage in it."""
    LAeq_dbfs: float
    """A-weighted level of what is heard."""
    peak_dbfs: float
    """Its highest sample."""


def cut_excerpt(prepared: PreparedRecording, request: ExcerptRequest) -> Excerpt:
    """Cut a passage out of a recording.

    Parameters
    ----------
    prepared : PreparedRecording
        The part and what its samples mean.
    request : ExcerptRequest
        What is to be heard.

    Returns
    -------
    Excerpt
        The passage.

    Raises
    ------
    RecordingError
        If it is too short, too long or silent, or a speed is not known throughout.
    SettingsError
        If full scale would stand for so little that it would be loud, or for a level without a
        calibration.
    SignalError
        If a tone is too near to 0 Hz or half of the sampling rate.
    """
    part = prepared.part
    if not _SHORTEST_S <= part.duration_s <= _LONGEST_S:
        raise RecordingError(
            f"A passage to listen to lasts from {_SHORTEST_S:g} to {_LONGEST_S:g} s, not "
            f"{part.duration_s:.1f} s; choose one with --from and --to."
        )
    part.source.skip(part.first_frame)
    block = part.source.read(part.frames)
    samples = np.array(block.signal.samples[:, part.channels])
    rate_hz = float(block.signal.rate_hz)
    samples -= samples.mean(axis=0)
    level_dbfs = _LAeq_dbfs(samples, rate_hz)
    if not np.isfinite(level_dbfs):
        raise RecordingError(f"{part.file} is silent in this passage; choose another one.")
    gain_db, full_scale_db = _gain(prepared, request, samples, level_dbfs)
    bands = _bands(part.start_s, len(samples), rate_hz, request)
    heard = samples
    if request.what != "passage":
        tones = np.zeros_like(samples)
        # One after the other out of what is left, so that bands that overlap count once.
        for hz, half_width_hz in bands:
            tones += band_around(samples - tones, rate_hz, hz, half_width_hz=half_width_hz)
        heard = tones if request.what == "tone alone" else samples - tones
    gain = 10.0 ** (gain_db / 20.0)
    heard = heard * gain * _fade(len(heard), rate_hz)[:, None]
    peak = float(np.abs(heard).max())
    return Excerpt(
        DigitalSignal(heard, rate_hz),
        gain_db,
        tuple(float(np.atleast_1d(hz)[0]) for hz, _ in bands),
        tuple(half_width_hz for _, half_width_hz in bands),
        full_scale_db,
        level_dbfs + gain_db,
        _LAeq_dbfs(heard, rate_hz),
        float(20.0 * np.log10(max(peak, 1e-12))),
    )


def _gain(
    prepared: PreparedRecording, request: ExcerptRequest, samples: Samples, level_dbfs: float
) -> tuple[float, float | None]:
    """Gain in dB, and the sound pressure level that full scale then stands for."""
    factor = prepared.pascal_per_unit
    # Of several calibrated channels the mean, as energy: their gains are alike.
    pascal = None if factor is None else float(np.sqrt(np.mean(np.square(factor))))
    scale_db = None if pascal is None else 20.0 * np.log10(pascal / REFERENCE_PRESSURE_PA)
    peak_dbfs = 20.0 * np.log10(float(np.abs(samples).max()))
    if request.full_scale_db is None:
        gain_db = min(_USUAL_DBFS - level_dbfs, _PEAK_DBFS - peak_dbfs)
        return gain_db, None if scale_db is None else float(scale_db - gain_db)
    if scale_db is None:
        raise SettingsError(
            f"{prepared.part.file} has no calibration, so its full scale stands for no level; "
            "leave --full-scale-db out."
        )
    gain_db = float(scale_db - request.full_scale_db)
    too_loud_db = max(level_dbfs + gain_db - _LOUDEST_DBFS, peak_dbfs + gain_db - _PEAK_DBFS)
    if too_loud_db > 0.0:
        raise SettingsError(
            f"With full scale at {request.full_scale_db:g} dB this passage would be too near to "
            f"it to be played safely; use at least {request.full_scale_db + too_loud_db:.0f} dB, "
            "for all that are to be compared."
        )
    return gain_db, request.full_scale_db


def _bands(
    start_s: float, frames: int, rate_hz: float, request: ExcerptRequest
) -> list[tuple[float | Samples, float]]:
    """Middle and half-width of each band."""
    followed = request.followed
    if followed is None:
        return [(hz, tone_half_width_hz(hz)) for hz in request.frequency_hz]
    time_s = start_s + np.arange(frames) / rate_hz
    hz = followed.order * followed.course.at(time_s) / 60.0
    known = np.flatnonzero(np.isfinite(hz))
    if not len(known) or len(known) < 0.8 * frames:
        raise RecordingError(
            f"The speed of {followed.rotor} is not known throughout this passage, so its order "
            "cannot be followed; choose another one."
        )
    hz = np.interp(np.arange(frames), known, hz[known])
    return [(hz, tone_half_width_hz(float(hz.mean())))]


def _fade(frames: int, rate_hz: float) -> Samples:
    """Soft beginning and end."""
    edge = np.clip(np.arange(frames) / (_FADE_S * rate_hz), 0.0, 1.0)
    shape: Samples = 0.5 - 0.5 * np.cos(np.pi * np.minimum(edge, edge[::-1]))
    return shape


def _LAeq_dbfs(samples: Samples, rate_hz: float) -> float:
    """A-weighted level re full scale, averaged over channels as energy; -inf for silence."""
    power = np.square(np.abs(rfft(samples, axis=0))).mean(axis=1)
    hz = np.arange(len(power)) * rate_hz / len(samples)
    weights = np.zeros(len(power))
    weights[1:] = 10.0 ** (a_weighting_db(hz[1:]) / 10.0)
    mean_square = 2.0 * float(power @ weights) / len(samples) ** 2
    return float(10.0 * np.log10(mean_square)) if mean_square > 1e-24 else -np.inf
