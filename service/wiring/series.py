"""Writing what a series of matches comes to: settings, table, pictures."""

from collections.abc import Sequence
from pathlib import Path

from service.documents.matched_settings import MatchedSettingsDocument
from service.jobs.settings_document import settings_csv
from service.reports.level_picture import LevelPanel, draw_levels
from service.storage.document_files import save_bytes, save_text

__all__ = ["write_series"]


def write_series(
    path: Path, document: MatchedSettingsDocument, panels: Sequence[LevelPanel]
) -> list[Path]:
    """Write the matched settings as JSON, and beside them the table and the pictures.

    Parameters
    ----------
    path : Path
        Where the JSON document shall stand; the others take its name with their own ending.
    document : MatchedSettingsDocument
        The settings.
    panels : sequence of LevelPanel
        What is drawn, one entry a cooler.

    Returns
    -------
    list of Path
        The files, the document first.

    Raises
    ------
    StorageError
        If one cannot be written.
    """
    # Everything is made before anything is written, so that a failure leaves no partial set.
    table = settings_csv(document)
    pictures = {form: draw_levels(panels, form) for form in ("png", "svg")}
    save_text(path, document.to_json())
    written = [path, path.with_suffix(".csv")]
    save_text(written[1], table)
    for form, picture in pictures.items():
        written.append(path.with_suffix(f".{form}"))
        save_bytes(written[-1], picture)
    return written
