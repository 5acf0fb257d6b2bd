"""What a reader of an analysis should know before using its levels, in words."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from acoustic.level_statistics import LevelSummary
from acoustic.tones import DiscreteTone
from service.jobs.recording_levels import MeasuredRecording

__all__ = ["SHORTEST_FOR_TONES_S", "coding_notes", "warnings_about"]

SHORTEST_FOR_TONES_S: Final = 2.0
"""Too few spectra to average say nothing about tones."""

_LOSSY: Final = frozenset({"VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III"})
"""Codings that leave out what an ear is thought not to hear."""
_STEADY_S: Final = 8.0
"""Time over which steady sound is averaged at least in work on IT equipment."""
_LOW_FREQUENCY_DB: Final = 15.0
"""LCeq above LAeq from which most of the sound lies where A-weighting takes it away."""
_SWINGING_DB: Final = 6.0
"""LA10 above LA90 from which one level does not describe the sound."""
_FULL_RANGE_HZ: Final = 16_000.0
"""Highest one-third octave from which nothing of a cooler's sound is missing."""
_TONES_NAMED: Final = 3


def coding_notes(coding: str) -> tuple[str, ...]:
    """Say what the coding of a recording means for its levels.

    Parameters
    ----------
    coding : str
        How its samples are stored, such as ``PCM_24`` or ``VORBIS``.

    Returns
    -------
    tuple of str
        Sentences; none for a coding that keeps every sample.
    """
    if coding not in _LOSSY:
        return ()
    return (
        f"The recording is compressed with loss ({coding}), which changes quiet and tonal sound; "
        "record to WAV or FLAC.",
    )


def warnings_about(
    measured: MeasuredRecording, whole: LevelSummary, tones: Sequence[DiscreteTone]
) -> list[str]:
    """Say what limits the levels of a recording.

    Parameters
    ----------
    measured : MeasuredRecording
        What was measured.
    whole : LevelSummary
        Its levels, averaged over channels.
    tones : sequence of DiscreteTone
        Its tones.

    Returns
    -------
    list of str
        Sentences; none when there is nothing to say.
    """
    return [
        *_gaps(measured),
        *_shortness(whole, heard_loudness=measured.spectrum is not None),
        *_range(whole),
        *_character(whole, tones),
    ]


def _gaps(measured: MeasuredRecording) -> list[str]:
    """Channels and stretches without sound."""
    texts = _marked(measured)
    texts += [
        f"Channel {measured.channels[channel] + 1} is silent and is left out of the average over "
        "channels."
        for channel in measured.silent_channels
    ]
    texts += [
        f"Channel {still.channel} keeps one value for {still.total_s:.1f} s in all, first "
        f"{still.first_s:.1f} s from the beginning of the recording: the input was muted or sound "
        "is missing there, and the levels come out too low."
        for still in measured.standstills
    ]
    return texts


def _marked(measured: MeasuredRecording) -> list[str]:
    """Stretches that were marked while they were heard."""
    left_out = measured.left_out
    if not left_out:
        return []
    return [
        f"{left_out.total_s:.1f} s are left out, first {left_out.first_s:.1f} s from the beginning "
        "of the recording: they were marked as bad when they were kept, and the sidecar says why."
    ]


def _shortness(whole: LevelSummary, *, heard_loudness: bool) -> list[str]:
    """What the sound is too short for."""
    texts = []
    missing = [
        name.removesuffix("_db")
        for name in ("LAFmin_db", "LASmin_db", "LA10_db", "LA50_db", "LA90_db")
        if np.isnan(getattr(whole, name)).any()
    ]
    if missing:
        texts.append(
            f"The sound is too short for {', '.join(missing)}: time weighting F needs 0.7 s and S "
            "5 s to rise before a minimum or a percentile means anything."
        )
    if whole.duration_s < SHORTEST_FOR_TONES_S:
        texts.append(
            f"The sound is shorter than {SHORTEST_FOR_TONES_S:g} s, so no tones were looked for."
            if heard_loudness
            else "The sound is shorter than 1 s, so neither tones nor loudness were looked for."
        )
    if whole.duration_s < _STEADY_S:
        texts.append(
            f"Only {whole.duration_s:.1f} s were analysed; percentiles and low bands need "
            f"{_STEADY_S:g} s and more to be steady."
        )
    return texts


def _range(whole: LevelSummary) -> list[str]:
    """What the sampling rate leaves out."""
    highest_hz = whole.nominal_hz[-1]
    if highest_hz >= _FULL_RANGE_HZ:
        return []
    return [
        f"The sampling rate ends the sound above the one-third octave of {highest_hz:g} Hz; "
        "what a cooler radiates higher up is missing in every level."
    ]


def _character(whole: LevelSummary, tones: Sequence[DiscreteTone]) -> list[str]:
    """Sound that its A-weighted level does not describe well."""
    texts = []
    excess_db = float(whole.LCeq_db[0] - whole.LAeq_db[0])
    if excess_db > _LOW_FREQUENCY_DB:
        texts.append(
            f"The sound has much low-frequency content: LCeq is {excess_db:.0f} dB above LAeq, "
            "which therefore says little about how loud it is."
        )
    prominent = sorted((tone for tone in tones if tone.prominent), key=lambda tone: -tone.level_db)
    if len(prominent) > 1:
        named = ", ".join(f"{tone.frequency_hz:.0f} Hz" for tone in prominent[:_TONES_NAMED])
        texts.append(
            f"There are {len(prominent)} prominent tones, the strongest at {named}: the sound "
            "disturbs more than its level says."
        )
    swing_db = float(whole.LA10_db[0] - whole.LA90_db[0])
    if swing_db > _SWINGING_DB:
        texts.append(
            f"The level swings by {swing_db:.0f} dB (LA10 over LA90): LAeq, tones and loudness "
            "are averages over different states."
        )
    return texts
