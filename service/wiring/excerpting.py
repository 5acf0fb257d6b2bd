"""Passages of recordings to listen to: the files and the speeds."""

from dataclasses import dataclass
from pathlib import Path

from service.documents.excerpt import ExcerptDocument
from service.jobs.analysis import AnalysisRequest, prepare
from service.jobs.excerpts import Excerpt, ExcerptRequest, FollowedOrder, What, cut_excerpt
from service.storage.excerpt_files import check_excerpt_name, save_excerpt
from service.wiring.analysis import opened_recording, with_what_was_kept
from service.wiring.order_naming import OrderRequest, speed_in_file

__all__ = ["WantedExcerpt", "write_excerpt"]


@dataclass(frozen=True, slots=True)
class WantedExcerpt:
    """What is to be heard of a recording."""

    recording: AnalysisRequest
    """Calibration and part."""
    what: What
    """The passage, a tone alone, or all but it."""
    frequency_hz: tuple[float, ...] = ()
    """Tones that are taken out or left."""
    order: int | None = None
    """An order that is followed instead; None for fixed tones."""
    rotor: str | None = None
    """Its rotor; None for the one whose speed changes most."""
    speeds: Path | None = None
    """Table of its speed over time; None for what was noted beside the sound."""
    full_scale_db: float | None = None
    """Sound pressure level that full scale stands for; None for the usual playback level."""


def write_excerpt(path: Path, out: Path, wanted: WantedExcerpt) -> ExcerptDocument:
    """Write a passage of a recording to listen to.

    Parameters
    ----------
    path : Path
        The recording.
    out : Path
        Where the passage goes.
    wanted : WantedExcerpt
        What is to be heard.

    Returns
    -------
    ExcerptDocument
        What was written.

    Raises
    ------
    EvenhushError
        If the recording cannot be used or the passage cannot be written.
    """
    check_excerpt_name(out, path)
    followed = None
    if wanted.order is not None:
        asked = OrderRequest(wanted.recording, speeds=wanted.speeds, rotor=wanted.rotor)
        name, course = speed_in_file(path, asked)
        followed = FollowedOrder(name, wanted.order, course)
    request = ExcerptRequest(wanted.what, wanted.frequency_hz, followed, wanted.full_scale_db)
    with opened_recording(path) as recording:
        prepared = prepare(recording, with_what_was_kept(path, recording, wanted.recording))
        excerpt = cut_excerpt(prepared, request)
    part = prepared.part
    document = ExcerptDocument(
        file=str(path),
        saved=str(out),
        start_s=round(part.start_s, 6),
        end_s=round(part.start_s + part.duration_s, 6),
        what=wanted.what,
        frequency_hz=[round(hz, 2) for hz in excerpt.frequency_hz],
        half_width_hz=[round(hz, 2) for hz in excerpt.half_width_hz],
        order=wanted.order,
        rotor=None if followed is None else followed.rotor,
        gain_db=round(excerpt.gain_db, 2),
        full_scale_db=None if excerpt.full_scale_db is None else round(excerpt.full_scale_db, 2),
        passage_LAeq_dbfs=round(excerpt.passage_LAeq_dbfs, 2),
        LAeq_dbfs=round(max(excerpt.LAeq_dbfs, -200.0), 2),
        LAeq_db=_heard_db(excerpt),
        peak_dbfs=round(excerpt.peak_dbfs, 2),
        warnings=[*prepared.notes, _CAUTION],
    )
    save_excerpt(out, excerpt.signal, document)
    return document


_CAUTION = (
    "Turn the volume down before playing it, most of all with headphones, and then up; a tone "
    "that is hardly heard at first is soon too loud."
)


def _heard_db(excerpt: Excerpt) -> float | None:
    """Level at the microphone of what is heard."""
    if excerpt.full_scale_db is None:
        return None
    return round(max(excerpt.LAeq_dbfs, -200.0) + excerpt.full_scale_db, 2)
