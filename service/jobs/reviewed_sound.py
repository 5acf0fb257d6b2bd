"""A recording that was looked at, and the parts of documents about it."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from acoustic.budget import Budget
from acoustic.spectrum import Spectrum
from acoustic.tones import DiscreteTone, discrete_tones, noise_beside_tones
from calibration.chain import microphone_budget
from service.documents.budget import rows_of
from service.documents.kept_sound import KeptSoundDocument
from service.documents.reviewed import LeftOutPart, ReviewedPart
from service.jobs.analysis_warnings import SHORTEST_FOR_TONES_S
from service.jobs.recording_review import RecordingReview

__all__ = ["ReviewedSound", "reviewed_sound"]


@dataclass(frozen=True, slots=True, eq=False)
class ReviewedSound:
    """A recording that was looked at, with its tones and what was noted beside it."""

    review: RecordingReview
    """What it looks like."""
    kept: KeptSoundDocument | None
    """What was noted when it was kept; None for any other recording."""
    tones: tuple[DiscreteTone, ...]
    """Its tones, low to high; none where it is too short to tell."""
    noise: Spectrum
    """Its spectrum without them."""

    @property
    def calibration_U95_db(self) -> float | None:
        """Half-width of the 95 % interval of its calibration; None where it is not known."""
        known = [each.U95_db for each in self.review.calibrations if each.U95_db is not None]
        return max(known, default=None)

    @property
    def used_s(self) -> float:
        """How much of it is used, in seconds."""
        row_s = float(self.review.course_s[1] - self.review.course_s[0])
        return min(row_s * float(self.review.course_used.sum() + 1), self.review.duration_s)

    def part(self) -> ReviewedPart:
        """Put it into the form of documents."""
        return ReviewedPart(**self.fields())

    def fields(self) -> dict[str, Any]:
        """Return the fields of that form by their names."""
        review = self.review
        U95_db = self.calibration_U95_db
        chain = None if U95_db is None else microphone_budget(U95_db, None)
        absolute = _both(review.listening, chain)
        level = round(review.LAeq_db, 3) if np.isfinite(review.LAeq_db) else None
        times = [each.time for each in review.calibrations]
        return {
            "file": review.file,
            "cooler": None if self.kept is None else self.kept.cooler,
            "time": None if self.kept is None else self.kept.time,
            "rate_hz": review.rate_hz,
            "channels": review.channels,
            "start_s": round(review.start_s, 6),
            "duration_s": round(review.duration_s, 6),
            "used_s": round(self.used_s, 2),
            "calibrated": review.calibrated,
            "calibration_time": max(times, default=None),
            "LAeq_db": level if review.calibrated else None,
            "LAeq_dbfs": None if review.calibrated else level,
            "U95_db": None if review.listening is None else round(review.listening.U95_db, 3),
            "U95_absolute_db": None if absolute is None else round(absolute.U95_db, 3),
            "budget": [
                row
                for budget in (review.listening, chain)
                if budget is not None
                for row in rows_of(budget)
            ],
            "left_out": [
                LeftOutPart(
                    start_s=round(review.start_s + passage.start_s, 3),
                    end_s=round(review.start_s + passage.end_s, 3),
                    why=passage.kind,
                )
                for passage in review.left_out
            ],
            "warnings": list(review.remarks),
        }


def _both(listening: Budget | None, chain: Budget | None) -> Budget | None:
    """Put two budgets together, where there are both."""
    return None if listening is None or chain is None else listening.with_more(chain)


def reviewed_sound(review: RecordingReview, kept: KeptSoundDocument | None) -> ReviewedSound:
    """Find the tones of a recording that was looked at.

    Parameters
    ----------
    review : RecordingReview
        What it looks like.
    kept : KeptSoundDocument or None
        What was noted beside it.

    Returns
    -------
    ReviewedSound
        The recording with its tones.
    """
    long_enough = review.duration_s >= SHORTEST_FOR_TONES_S
    calibrated = review.calibrated
    return ReviewedSound(
        review=review,
        kept=kept,
        tones=discrete_tones(review.spectrum, calibrated=calibrated) if long_enough else (),
        noise=noise_beside_tones(review.spectrum),
    )
