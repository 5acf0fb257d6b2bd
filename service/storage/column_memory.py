"""What a person said of the columns of logs, remembered for logs with the same header."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from service.errors import StorageError
from service.storage.document_files import save_text

__all__ = ["ColumnMemory"]

_FILE: Final = "log-columns.json"


class ColumnMemory:
    """A file in the data folder; one that is damaged or cannot be written is as good as none.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    """

    def __init__(self, data_folder: Path) -> None:
        self._path = data_folder / _FILE
        self._said: dict[str, dict[str, str]] = {}
        try:
            read = json.loads(self._path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return
        if isinstance(read, dict):
            self._said = {
                str(header): {str(role): str(name) for role, name in said.items()}
                for header, said in read.items()
                if isinstance(said, dict)
            }

    def said_of(self, names: Sequence[str]) -> Mapping[str, str] | None:
        """Return what was said of columns with these names.

        Parameters
        ----------
        names : sequence of str
            Names of all columns of a log.

        Returns
        -------
        mapping of str to str or None
            The column of each role; empty if they were found right, None if nobody was asked.
        """
        return self._said.get("\t".join(names))

    def remember(self, names: Sequence[str], said: Mapping[str, str]) -> None:
        """Remember what was said; without a word if that cannot be written.

        Parameters
        ----------
        names : sequence of str
            Names of all columns of a log.
        said : mapping of str to str
            The column of each role.
        """
        if self._said.get("\t".join(names)) == dict(said):
            return
        self._said["\t".join(names)] = dict(said)
        try:
            save_text(self._path, json.dumps(self._said, indent=1, ensure_ascii=False) + "\n")
        except StorageError:
            # What is asked for does not depend on it.
            return
