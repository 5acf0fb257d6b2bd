"""The history of rechecks, one file a cooler and bench, one line a recheck."""

from pathlib import Path

from pydantic import ValidationError

from service.documents.recheck import RecheckPart
from service.documents.validation import problem_in
from service.errors import DocumentError
from service.storage.document_files import read_document_text, save_text
from service.storage.names import file_stem

__all__ = ["RecheckHistory"]


class RecheckHistory:
    """Every recheck, by bench and cooler, oldest first; lines are only ever added, and whole.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    """

    def __init__(self, data_folder: Path) -> None:
        self._folder = data_folder / "rechecks"

    def _path(self, cooler: str, bench: str) -> Path:
        return self._folder / f"{file_stem(bench)}-{file_stem(cooler)}.jsonl"

    def add(self, recheck: RecheckPart) -> None:
        """Keep a recheck.

        Raises
        ------
        DocumentError
            If what is kept so far cannot be read.
        StorageError
            If it cannot be written.
        """
        path = self._path(recheck.cooler, recheck.bench)
        earlier = read_document_text(path, "history of rechecks") if path.exists() else ""
        save_text(path, earlier + recheck.model_dump_json() + "\n")

    def of(self, cooler: str, bench: str) -> list[RecheckPart]:
        """Return the rechecks of a cooler on a bench.

        Parameters
        ----------
        cooler, bench : str
            Their names.

        Returns
        -------
        list of RecheckPart
            Oldest first; empty where it was never checked again.

        Raises
        ------
        DocumentError
            If the history is damaged.
        """
        path = self._path(cooler, bench)
        if not path.exists():
            return []
        found = []
        lines = read_document_text(path, "history of rechecks").splitlines()
        for number, line in enumerate(lines, start=1):
            try:
                found.append(RecheckPart.model_validate_json(line))
            except ValidationError as error:
                raise DocumentError(
                    f"Line {number} of {path} is no recheck: {problem_in(error.errors())}."
                ) from error
        # Names that look alike as file names share a file.
        return [part for part in found if (part.cooler, part.bench) == (cooler, bench)]
