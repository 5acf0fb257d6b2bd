"""From what was measured in a recording to its analysis document."""

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any, Final, NamedTuple, TypedDict

import numpy as np

from acoustic.errors import InputError
from acoustic.harmonics import HarmonicFamily, harmonic_families
from acoustic.level_statistics import LevelSummary, mean_of_channels
from acoustic.loudness import SoundField, stationary_loudness
from acoustic.loudness_bands import loudness_band_level_db
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum
from acoustic.tones import DiscreteTone as FoundTone
from acoustic.tones import discrete_tones
from calibration.chain import microphone_budget
from calibration.steady_interval import SteadyInterval, judge_recording
from service.documents.analysis import (
    AnalysisDocument,
    ChannelPart,
    FamilyPart,
    FamilyReFullScale,
    HarmonicPart,
    LevelInterval,
    Levels,
    LevelsReFullScale,
    LoudnessPart,
    ThirdOctavesReFullScale,
    ToneReFullScale,
    UncalibratedAnalysisDocument,
    UncalibratedChannelPart,
)
from service.documents.bands import DiscreteTone, ThirdOctaves
from service.documents.budget import rows_of
from service.documents.calibration import CalibrationDocument
from service.jobs.analysis_warnings import SHORTEST_FOR_TONES_S, warnings_about
from service.jobs.recording_levels import MeasuredRecording, RecordedPart

__all__ = ["analysis_document"]

_SHARED: Final = frozenset({"duration_s", "nominal_hz"})
"""Fields of a summary that all its channels have in common."""


class _Sound(NamedTuple):
    """One channel, or the mean of several."""

    summary: LevelSummary
    """Its levels, of one channel."""
    spectrum: Spectrum | None
    """Its spectrum, of one channel; None where it is too short for one."""
    tones: tuple[FoundTone, ...]
    """Its tones."""


class _Head(TypedDict):
    """Fields that both forms of the document share."""

    file: str
    rate_hz: int
    channels: int
    start_s: float
    duration_s: float
    LAeq_interval: LevelInterval | None
    left_out_s: float
    warnings: list[str]


class _Contents(TypedDict):
    """What is said about one sound with a calibration."""

    levels: Levels
    third_octaves: ThirdOctaves
    tones: list[DiscreteTone]
    harmonic_families: list[FamilyPart]
    loudness: LoudnessPart | None


class _ContentsReFullScale(TypedDict):
    """What is said about one sound without a calibration."""

    levels: LevelsReFullScale
    third_octaves: ThirdOctavesReFullScale
    tones: list[ToneReFullScale]
    harmonic_families: list[FamilyReFullScale]
    loudness: None


def analysis_document(
    part: RecordedPart,
    measured: MeasuredRecording,
    *,
    pascal_per_unit: float | Samples | None,
    calibrations: Sequence[CalibrationDocument],
    field: SoundField,
    notes: tuple[str, ...],
) -> AnalysisDocument | UncalibratedAnalysisDocument:
    """Put a measured recording into a document.

    Parameters
    ----------
    part : RecordedPart
        What was measured.
    measured : MeasuredRecording
        What it came to.
    pascal_per_unit : float, ndarray of shape (channels,), or None
        What it was measured with, of all channels or of each.
    calibrations : sequence of CalibrationDocument
        Where that comes from, as far as it is known.
    field : {"free", "diffuse"}
        Sound field that the loudness assumes.
    notes : tuple of str
        Warnings that are known already.

    Returns
    -------
    AnalysisDocument or UncalibratedAnalysisDocument
        The document; its form depends on whether there is a calibration.
    """
    calibrated = pascal_per_unit is not None
    channels = range(len(part.channels))
    each = [_sound(measured, [channel], calibrated=calibrated) for channel in channels]
    carrying = [channel for channel in channels if channel not in measured.silent_channels]
    whole = each[0] if len(each) == 1 else _sound(measured, carrying, calibrated=calibrated)
    interval = judge_recording(measured.LAeq_course_db)
    U95_db = max((known.U95_db for known in calibrations if known.U95_db is not None), default=None)
    said = [] if interval.why_not is None else [interval.why_not]
    head = _Head(
        file=part.file,
        rate_hz=part.source.rate_hz,
        channels=part.source.channels,
        start_s=round(part.start_s, 6),
        duration_s=round(part.duration_s, 6),
        LAeq_interval=_interval(interval, U95_db),
        left_out_s=round(measured.left_out.total_s, 6),
        warnings=[*notes, *warnings_about(measured, whole.summary, whole.tones), *said],
    )
    numbered = list(zip(part.numbers, each, strict=True)) if len(each) > 1 else []
    if pascal_per_unit is None:
        return UncalibratedAnalysisDocument(
            **head,
            **_contents_re_full_scale(whole),
            per_channel=[
                UncalibratedChannelPart(channel=number, **_contents_re_full_scale(sound))
                for number, sound in numbered
            ]
            or None,
        )
    head["warnings"].extend(_loudness(whole, field)[1])
    factors = np.broadcast_to(pascal_per_unit, len(each)).tolist()
    return AnalysisDocument(
        **head,
        pascal_per_unit=factors[0],
        calibration_time=max((known.time for known in calibrations), default=None),
        **_contents(whole, field),
        per_channel=[
            ChannelPart(channel=number, pascal_per_unit=factor, **_contents(sound, field))
            for (number, sound), factor in zip(numbered, factors, strict=False)
        ]
        or None,
    )


def _sound(measured: MeasuredRecording, channels: list[int], *, calibrated: bool) -> _Sound:
    """Average some of the channels, as energy."""
    summary, spectrum = measured.summary, measured.spectrum
    kept = {
        field.name: getattr(summary, field.name)[channels]
        for field in fields(summary)
        if field.name not in _SHARED
    }
    mean_summary = mean_of_channels(replace(summary, **kept))
    if spectrum is None:
        return _Sound(mean_summary, None, ())
    density = spectrum.density_pa2_per_hz[:, channels]
    mean = replace(spectrum, density_pa2_per_hz=density).mean_of_channels()
    long_enough = summary.duration_s >= SHORTEST_FOR_TONES_S
    return _Sound(
        mean_summary, mean, discrete_tones(mean, calibrated=calibrated) if long_enough else ()
    )


def _interval(found: SteadyInterval, calibration_U95_db: float | None) -> LevelInterval | None:
    """Put an interval into the document's form."""
    if found.budget is None:
        return None
    chain = None if calibration_U95_db is None else microphone_budget(calibration_U95_db, None)
    absolute = None if chain is None else found.budget.with_more(chain)
    return LevelInterval(
        U95_db=round(found.budget.U95_db, 3),
        U95_absolute_db=None if absolute is None else round(absolute.U95_db, 3),
        budget=rows_of(found.budget),
        chain_budget=[] if chain is None else rows_of(chain),
    )


def _family(family: HarmonicFamily) -> dict[str, Any]:
    """Put what does not depend on the calibration of a family into the document's form."""
    return {
        "fundamental_hz": round(family.fundamental_hz, 2),
        "harmonics": [
            HarmonicPart(order=each.order, frequency_hz=round(each.tone.frequency_hz, 2))
            for each in family.harmonics
        ],
    }


def _contents(sound: _Sound, field: SoundField) -> _Contents:
    """Levels, bands, tones and loudness in dB re 20 uPa."""
    return _Contents(
        levels=Levels(**{name: _level(sound, name) for name in Levels.model_fields}),
        third_octaves=ThirdOctaves(
            nominal_hz=list(sound.summary.nominal_hz),
            LZeq_db=_finite(sound.summary.band_LZeq_db[0]),
            LAeq_db=_finite(sound.summary.band_LAeq_db[0]),
        ),
        tones=[
            DiscreteTone(
                frequency_hz=round(tone.frequency_hz, 2),
                level_db=round(tone.level_db, 2),
                tone_to_noise_ratio_db=round(tone.tone_to_noise_ratio_db, 2),
                prominence_ratio_db=round(tone.prominence_ratio_db, 2),
                prominent=tone.prominent,
            )
            for tone in sound.tones
        ],
        harmonic_families=[
            FamilyPart(level_db=round(family.level_db, 2), **_family(family))
            for family in harmonic_families(sound.tones)
        ],
        loudness=_loudness(sound, field)[0],
    )


def _contents_re_full_scale(sound: _Sound) -> _ContentsReFullScale:
    """Levels, bands and tones in dB re full scale."""
    return _ContentsReFullScale(
        levels=LevelsReFullScale(
            **{
                name: _level(sound, name.removesuffix("_dbfs") + "_db")
                for name in LevelsReFullScale.model_fields
            }
        ),
        third_octaves=ThirdOctavesReFullScale(
            nominal_hz=list(sound.summary.nominal_hz),
            LZeq_dbfs=_finite(sound.summary.band_LZeq_db[0]),
            LAeq_dbfs=_finite(sound.summary.band_LAeq_db[0]),
        ),
        tones=[
            ToneReFullScale(
                frequency_hz=round(tone.frequency_hz, 2),
                level_dbfs=round(tone.level_db, 2),
                tone_to_noise_ratio_db=round(tone.tone_to_noise_ratio_db, 2),
                prominence_ratio_db=round(tone.prominence_ratio_db, 2),
                prominent=tone.prominent,
            )
            for tone in sound.tones
        ],
        harmonic_families=[
            FamilyReFullScale(level_dbfs=round(family.level_db, 2), **_family(family))
            for family in harmonic_families(sound.tones)
        ],
        loudness=None,
    )


def _loudness(sound: _Sound, field: SoundField) -> tuple[LoudnessPart | None, list[str]]:
    """Loudness, or None and why the method has no answer."""
    if sound.spectrum is None or _level(sound, "LAeq_db") is None:
        return None, []
    try:
        found = stationary_loudness(loudness_band_level_db(sound.spectrum)[:, 0], field)
    except InputError as error:
        return None, [str(error)]
    part = LoudnessPart(field=field, N_sone=round(found.N_sone, 3), LN_phon=round(found.LN_phon, 2))
    return part, []


def _level(sound: _Sound, name: str) -> float | None:
    """One level of the summary, by its name there."""
    return _finite(getattr(sound.summary, name))[0]


def _finite(levels_db: Samples) -> list[float | None]:
    """Levels rounded for a document; None for silence and where the sound is too short."""
    return [round(float(level), 3) if np.isfinite(level) else None for level in levels_db]
