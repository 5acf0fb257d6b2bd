"""The picture of a match that is kept: decided again from its trail, then drawn."""

from service.errors import NotKept
from service.jobs.matching import replay
from service.reports.drawing import PictureForm
from service.reports.level_picture import LevelPanel, draw_levels
from service.storage.archive import Archive
from service.storage.trails import read_trail

__all__ = ["match_picture"]


def match_picture(archive: Archive, match_id: str, form: PictureForm) -> bytes:
    """Draw a match with all its settings.

    Parameters
    ----------
    archive : Archive
        Where it is kept.
    match_id : str
        Its id.
    form : {"png", "svg"}
        File format.

    Returns
    -------
    bytes
        The picture.

    Raises
    ------
    NotKept
        If there is no such match, or no trail of it.
    DocumentError
        If its trail cannot be read or was made by another version.
    """
    record = archive.matches.get(match_id).record
    if record.trail is None:
        raise NotKept(f"No trail of the match {match_id} is kept, so there is nothing to draw.")
    header, steps, _ = read_trail(archive.files.path_of(record.trail))
    result = replay(header, steps)
    panel = LevelPanel(record.cooler, header.request, result)
    return draw_levels([panel], form)
