"""Profiles of coolers, one file a sweep, so that a later one never overwrites an earlier one."""

from pathlib import Path

from service.documents.profile import ProfileDocument
from service.storage.document_files import read_document_text, save_text
from service.storage.names import file_stem

__all__ = ["ProfileHistory"]


class ProfileHistory:
    """Every complete profile, by bench and cooler.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    """

    def __init__(self, data_folder: Path) -> None:
        self._folder = data_folder / "profiles"

    def _folder_of(self, bench: str, cooler: str) -> Path:
        return self._folder / file_stem(bench) / file_stem(cooler)

    def add(self, document: ProfileDocument) -> Path:
        """Keep a profile.

        Returns
        -------
        Path
            Its file, which did not exist before.

        Raises
        ------
        StorageError
            If it cannot be written.
        """
        folder = self._folder_of(document.bench, document.cooler)
        stem = f"{document.time:%Y%m%dT%H%M%S}-{document.time.microsecond:06d}Z"
        path, number = folder / f"{stem}.json", 2
        while path.exists():
            path, number = folder / f"{stem}-{number}.json", number + 1
        save_text(path, document.to_json())
        return path

    def of(self, bench: str, cooler: str) -> list[ProfileDocument]:
        """Return the profiles of a cooler on a bench.

        Parameters
        ----------
        bench, cooler : str
            Their names.

        Returns
        -------
        list of ProfileDocument
            Oldest first; empty when it was never swept.

        Raises
        ------
        DocumentError
            If one of them is damaged.
        """
        documents = [
            ProfileDocument.from_json(read_document_text(path, "profile"), str(path))
            for path in sorted(self._folder_of(bench, cooler).glob("*.json"))
        ]
        # Two names that look alike as file names share a folder.
        found = [one for one in documents if (one.bench, one.cooler) == (bench, cooler)]
        return sorted(found, key=lambda one: one.time)

    def latest(self, bench: str, cooler: str, *, pump_follows: bool) -> ProfileDocument | None:
        """Return the newest profile that a match can start from, or None.

        Parameters
        ----------
        bench, cooler : str
            Their names.
        pump_follows : bool
            Whether the match leads a pump along with the fans: a profile says nothing about the
            other way.

        Returns
        -------
        ProfileDocument or None
            The profile.

        Raises
        ------
        DocumentError
            If a profile is damaged.
        """
        fitting = [one for one in self.of(bench, cooler) if (one.pump == "follows") == pump_follows]
        return fitting[-1] if fitting else None
