"""Demo recordings of the simulated room as files."""

from pathlib import Path

from service.simulation.demo_recordings import demo_recordings
from service.storage.document_files import make_folder
from service.storage.recording_files import write_recording

__all__ = ["make_demo_recordings"]


def make_demo_recordings(directory: Path) -> list[Path]:
    """Write every demo recording with its sidecar.

    Parameters
    ----------
    directory : Path
        Folder to write to; it is made if it does not exist.

    Returns
    -------
    list of Path
        The recordings, in the order in which they are best listened to.

    Raises
    ------
    StorageError
        If the folder or a file cannot be written.
    """
    make_folder(directory)
    paths = []
    for recording in demo_recordings():
        path = directory / f"{recording.stem}.flac"
        write_recording(path, recording.signal, recording.truth)
        paths.append(path)
    return paths
