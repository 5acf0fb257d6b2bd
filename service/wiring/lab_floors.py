"""The checks of the room floor: which one a match counts with, and when the next is due."""

from collections.abc import Callable
from datetime import datetime, timedelta

from service.documents.floor import FloorDocument
from service.records.measured import FloorRecord
from service.records.paging import Kept
from service.storage.archive import Archive
from service.wiring.lab_calibration import CalibrationBook
from service.wiring.lab_status import FloorStatus

__all__ = ["FloorBook"]

_USUAL_AGE = timedelta(minutes=30)
"""How old a check may be where none is made by itself."""


class FloorBook:
    """Knows the newest check of the room floor.

    Parameters
    ----------
    archive : Archive
        Where checks are kept.
    calibrations : CalibrationBook
        The calibration in force.
    every : timedelta or None
        How often a check is due; None for never by itself.
    now : callable
        The time.
    """

    def __init__(
        self,
        archive: Archive,
        calibrations: CalibrationBook,
        *,
        every: timedelta | None,
        now: Callable[[], datetime],
    ) -> None:
        self._archive = archive
        self._calibrations = calibrations
        self._every = every
        self._now = now
        self._began = now()
        self._newest: Kept[FloorRecord, FloorDocument] | None = None
        self._last_quiet: Kept[FloorRecord, FloorDocument] | None = None

    def look_up(self, source: str) -> None:
        """Find the newest check through an input.

        Raises
        ------
        EvenhushError
            If the archive fails or a document is damaged.
        """
        page = self._archive.floors.list(source=source, limit=1)
        if page.items and (self._newest is None or page.items[0].id != self._newest.record.id):
            self._take(self._archive.floors.get(page.items[0].id))

    def add(self, document: FloorDocument, *, scheduled: bool, job: str) -> str:
        """Keep a check.

        Raises
        ------
        EvenhushError
            If it cannot be kept.
        """
        key = self._archive.floors.add(document, scheduled=scheduled, job=job)
        self._take(self._archive.floors.get(key))
        return key

    def get(self, key: str) -> Kept[FloorRecord, FloorDocument]:
        """Return a check.

        Raises
        ------
        NotKept
            If there is none of this id.
        """
        return self._archive.floors.get(key)

    def _take(self, kept: Kept[FloorRecord, FloorDocument]) -> None:
        self._newest = kept
        if not kept.document.turning_rpm:
            self._last_quiet = kept

    def fit_to_use(self) -> Kept[FloorRecord, FloorDocument] | None:
        """Return the check that a match started now counts with; None where there is none.

        Nothing turned while it was heard, it was heard with the calibration in force, and is no
        older than checks are due.
        """
        kept = self._of_this_calibration()
        if kept is None or self._now() - kept.document.time > (self._every or _USUAL_AGE):
            return None
        return kept

    def _of_this_calibration(self) -> Kept[FloorRecord, FloorDocument] | None:
        """Return the last check of the room alone, if it was heard with this calibration."""
        kept, current = self._last_quiet, self._calibrations.in_force
        if kept is None or current is None:
            return None
        return kept if kept.document.calibration_time == current.document.time else None

    @property
    def alone(self) -> FloorRecord | None:
        """The last check in which nothing turned, with whatever calibration it was heard."""
        return None if self._last_quiet is None else self._last_quiet.record

    @property
    def level_db(self) -> float | None:
        """Level of the room alone, as heard last with this calibration."""
        kept = self._of_this_calibration()
        return None if kept is None else kept.document.LAeq_db

    @property
    def next_due(self) -> datetime | None:
        """When the next check is due; None where none is made by itself."""
        if self._every is None:
            return None
        return self._began if self._newest is None else self._newest.document.time + self._every

    def status(self) -> FloorStatus | None:
        """Return what is shown of the newest check."""
        kept = self._newest
        if kept is None:
            return None
        document = kept.document
        fit = self.fit_to_use()
        return FloorStatus(
            id=kept.record.id,
            time=document.time,
            LAeq_db=document.LAeq_db,
            U95_db=document.U95_db,
            fit_for_target_db=document.fit_for_target_db,
            fit_to_use=fit is not None and fit.record.id == kept.record.id,
        )
