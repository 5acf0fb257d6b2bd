"""The archive: opening it, and putting into it what a series of matches comes to."""

from datetime import datetime
from pathlib import Path

from service.documents.calibration import CalibrationDocument
from service.documents.matched_settings import MatchedSettingsDocument
from service.jobs.settings_document import close_series, settings_document
from service.settings import Settings
from service.storage.archive import Archive
from service.wiring.match_series import Hearing
from service.wiring.series_progress import DoneMatch

__all__ = ["close_matches", "keep_match", "open_archive"]


def open_archive(settings: Settings, data_folder: Path) -> Archive:
    """Open the archive that the configuration names.

    Parameters
    ----------
    settings : Settings
        The configuration.
    data_folder : Path
        The data folder.

    Returns
    -------
    Archive
        The archive; the caller closes it.

    Raises
    ------
    SettingsError
        If the address of the database is none.
    StorageError
        If the database cannot be used.
    """
    return Archive(data_folder, settings.database_url, level_log_days=settings.level_log_days)


def keep_match(
    archive: Archive, done: DoneMatch, hearing: Hearing, *, time: datetime, job: str | None = None
) -> str:
    """Keep a match of a series, unless an earlier run of the same series has.

    Parameters
    ----------
    archive : Archive
        The archive.
    done : DoneMatch
        The match.
    hearing : Hearing
        What it was heard through.
    time : datetime
        When it ended.
    job : str, optional
        Job that made it.

    Returns
    -------
    str
        Its id.

    Raises
    ------
    EvenhushError
        If it cannot be kept.
    """
    kept = archive.matches.same_as(done.part, hearing.calibration.time)
    if kept:
        return kept[0].record.id
    document = settings_document(
        done.request, [done.part], time=time, calibration=hearing.calibration, drift=None
    )
    return archive.matches.add(
        document,
        source=hearing.source.name,
        calibration=hearing.calibration,
        trail=done.trail,
        job=job,
    )


def close_matches(
    archive: Archive, settings: MatchedSettingsDocument, after: CalibrationDocument
) -> None:
    """Enter the drift into the matches that matched settings came from, as into those.

    Parameters
    ----------
    archive : Archive
        The archive.
    settings : MatchedSettingsDocument
        The settings.
    after : CalibrationDocument
        An accepted calibration of the same microphone.

    Raises
    ------
    EvenhushError
        If it cannot be entered.
    """
    for part in settings.coolers:
        for kept in archive.matches.same_as(part, settings.chain.calibration_time):
            closed, _ = close_series(kept.document, after, f"Match {kept.record.id}")
            archive.matches.close_chain(kept.record.id, closed)
