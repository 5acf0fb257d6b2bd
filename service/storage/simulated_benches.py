"""Where running simulated benches can be heard: one small file each in the data folder."""

import json
from pathlib import Path

from service.errors import DocumentError
from service.storage.document_files import read_document_text, save_text
from service.storage.names import file_stem

__all__ = ["announce_bench", "find_bench_url", "withdraw_bench"]


def _path(data_folder: Path, name: str) -> Path:
    return data_folder / "simulated" / f"{file_stem(name)}.json"


def announce_bench(data_folder: Path, name: str, url: str) -> None:
    """Write down where a simulated bench serves.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    name, url : str
        The bench and its address.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    save_text(_path(data_folder, name), json.dumps({"bench": name, "url": url}) + "\n")


def withdraw_bench(data_folder: Path, name: str) -> None:
    """Remove what `announce_bench` wrote; harmless when done twice."""
    _path(data_folder, name).unlink(missing_ok=True)


def find_bench_url(data_folder: Path, name: str) -> str:
    """Look up where a simulated bench serves.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    name : str
        The bench.

    Returns
    -------
    str
        Its address.

    Raises
    ------
    DocumentError
        If none of this name runs.
    """
    path = _path(data_folder, name)
    running = sorted(found.stem for found in path.parent.glob("*.json"))
    if not path.exists():
        others = f"; running now: {', '.join(running)}" if running else ""
        raise DocumentError(
            f"No simulated bench {name!r} is running{others}. Start one in another window with "
            f"'evenhush bench --simulated --name {name}'."
        )
    try:
        url = json.loads(read_document_text(path, "note of a running bench"))["url"]
    except (ValueError, KeyError, TypeError) as error:
        raise DocumentError(f"The note {path} is damaged; delete it.") from error
    return str(url)
