"""Whether a tone stays where it is in the course of a recording."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from acoustic.tones import DiscreteTone
from service.jobs.recording_review import RecordingReview

__all__ = ["drift_words"]

_STRONGEST: Final = 3
"""Tones that are followed."""
_LEAST_RATIO_DB: Final = 6.0
"""Fainter tones are lost in single steps of time."""
_REACH: Final = 0.04
"""Relative range in which a tone is looked for."""
_MOVED: Final = 0.004
"""Relative movement from which a speed has changed."""
_LINES: Final = 2.0
"""Movement in lines of the spectrum that is no movement."""


def drift_words(review: RecordingReview, tones: Sequence[DiscreteTone]) -> list[str]:
    """Say which strong tone moves from the beginning of a recording to its end.

    Parameters
    ----------
    review : RecordingReview
        The recording.
    tones : sequence of DiscreteTone
        Its tones.

    Returns
    -------
    list of str
        One sentence about the strongest tone that moves; none where none does.
    """
    used = np.flatnonzero(review.step_used)
    if len(used) < 4:
        return []
    third = max(len(used) // 3, 1)
    parts = [
        review.step_density_pa2_per_hz[some].mean(axis=0) for some in (used[:third], used[-third:])
    ]
    strong = [tone for tone in tones if tone.tone_to_noise_ratio_db >= _LEAST_RATIO_DB]
    spacing_hz = review.spectrum.spacing_hz
    for tone in sorted(strong, key=lambda each: -each.tone_to_noise_ratio_db)[:_STRONGEST]:
        low, high = (
            round(tone.frequency_hz * share / spacing_hz) for share in (1 - _REACH, 1 + _REACH)
        )
        first_hz, last_hz = (
            spacing_hz * (low + int(np.argmax(part[low : high + 1]))) for part in parts
        )
        moved_hz = abs(last_hz - first_hz)
        if moved_hz > max(_MOVED * tone.frequency_hz, _LINES * spacing_hz):
            return [
                f"The tone near {tone.frequency_hz:.0f} Hz moves from {first_hz:.0f} to "
                f"{last_hz:.0f} Hz: a speed changes while it is recorded, which smears tones; "
                "choose a part with --from and --to."
            ]
    return []
