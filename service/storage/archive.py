"""The archive: everything the lab has measured, in one database with files beside it."""

from pathlib import Path
from types import TracebackType
from typing import Self

from service.storage.archive_calibrations import Calibrations
from service.storage.archive_coolers import Coolers
from service.storage.archive_files import ArchiveFiles
from service.storage.archive_floors import Floors
from service.storage.archive_jobs import Events, Jobs
from service.storage.archive_levels import Levels
from service.storage.archive_matches import Matches
from service.storage.archive_sounds import Sounds
from service.storage.archive_sweeps import Profiles, Rechecks
from service.storage.database import Database, database_address
from service.storage.migrating import bring_up_to_date

__all__ = ["Archive"]


class Archive:
    """Everything the lab has measured; used from any thread, and a context manager.

    What is added is on the disk when the call returns. Several programs may use one archive.

    Parameters
    ----------
    data_folder : Path
        The data folder, made if needed: files stand in it, and unless an address says otherwise
        the database too.
    database_url : str, optional
        Address of another database.
    level_log_days : int, optional
        How long every 100 ms are kept; 0 keeps them for ever.

    Raises
    ------
    SettingsError
        If the address is none.
    StorageError
        If the database cannot be used, belongs to something else, or comes from a newer version.
    """

    def __init__(
        self, data_folder: Path, database_url: str | None = None, *, level_log_days: int = 90
    ) -> None:
        self.database = Database(database_address(database_url, data_folder))
        """Where it is."""
        self.files = ArchiveFiles(data_folder)
        """What it refers to."""
        try:
            self.copy_before_upgrade = bring_up_to_date(self.database)
            """Copy of an SQLite file from before it was upgraded just now; None where it was up
            to date."""
        except BaseException:
            self.close()
            raise
        self.calibrations = Calibrations(self.database)
        """Calibrations."""
        self.floors = Floors(self.database)
        """Checks of the room floor."""
        self.coolers = Coolers(self.database)
        """Coolers."""
        self.profiles = Profiles(self.database, self.files)
        """Sweeps."""
        self.matches = Matches(self.database, self.files)
        """Matches."""
        self.rechecks = Rechecks(self.database)
        """Rechecks."""
        self.sounds = Sounds(self.database, self.files)
        """Files with sound."""
        self.jobs = Jobs(self.database)
        """Measurements that were asked for."""
        self.events = Events(self.database)
        """Everything that happened and is worth knowing."""
        self.levels = Levels(self.database, days=level_log_days)
        """The level log."""

    def close(self) -> None:
        """Finish what waits to be written and close; harmless when done twice."""
        self.database.close()

    def __enter__(self) -> Self:
        """Return the archive itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        self.close()
