"""Writing what a series of matches comes to: settings, table, pictures."""

from collections.abc import Sequence
from pathlib import Path

from service.documents.matched_settings import MatchedSettingsDocument
from service.jobs.pairs_document import with_a_row_a_pair
from service.jobs.settings_document import settings_csv
from service.reports.drawing import FORMS
from service.reports.level_picture import LevelPanel, draw_levels
from service.reports.pairs_picture import draw_pairs
from service.storage.document_files import save_with_beside

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
    beside = {".csv": settings_csv(with_a_row_a_pair(document)).encode()}
    beside |= {f".{form}": draw_levels(panels, form) for form in FORMS}
    curves = [part for part in document.coolers if part.curve]
    if curves:
        beside |= {f"-pairs.{form}": draw_pairs(curves, form) for form in FORMS}
    return save_with_beside(path, document.to_json(), beside)
