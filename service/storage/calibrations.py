"""The dated history of calibrations, one file an input."""

from pathlib import Path

from service.documents.calibration import CalibrationDocument
from service.storage.document_files import read_document_text, save_text
from service.storage.names import file_stem

__all__ = ["CalibrationHistory"]


class CalibrationHistory:
    """Every accepted calibration, by input and channel, oldest first.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    """

    def __init__(self, data_folder: Path) -> None:
        self._folder = data_folder / "calibrations"

    def _path(self, source: str, channel: int) -> Path:
        return self._folder / f"{file_stem(source)}-channel-{channel}.jsonl"

    def add(self, document: CalibrationDocument) -> None:
        """Keep an accepted calibration.

        Raises
        ------
        StorageError
            If it cannot be written.
        """
        path = self._path(document.input or "", document.channel)
        earlier = path.read_text(encoding="utf-8") if path.exists() else ""
        save_text(path, earlier + document.model_dump_json(by_alias=True) + "\n")

    def of(self, source: str, channel: int = 1) -> list[CalibrationDocument]:
        """Return the calibrations of one channel of an input.

        Parameters
        ----------
        source : str
            The input as it was given.
        channel : int, optional
            The channel, counted from 1.

        Returns
        -------
        list of CalibrationDocument
            Oldest first; empty when it was never calibrated.

        Raises
        ------
        DocumentError
            If the history is damaged.
        """
        path = self._path(source, channel)
        if not path.exists():
            return []
        text = read_document_text(path, "calibration history")
        documents = [
            CalibrationDocument.from_json(line, f"Line {number} of {path}")
            for number, line in enumerate(text.splitlines(), start=1)
        ]
        # Two inputs whose names look alike as file names share a file.
        return [document for document in documents if document.input == source]

    def latest(self, source: str, channel: int = 1) -> CalibrationDocument | None:
        """Return the newest calibration of a channel, or None."""
        documents = self.of(source, channel)
        return documents[-1] if documents else None
