"""The calibration in force: which one it is, when the next is due, and what it says of the last."""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from acoustic.microphone_response import MicrophoneResponse
from calibration.drift import is_void
from service.documents.calibration import CalibrationDocument, joined_calibration
from service.errors import DocumentError
from service.jobs.settings_document import close_series
from service.live.scale import InputScale, uncalibrated
from service.storage.archive import Archive
from service.storage.calibrations import CalibrationHistory
from service.storage.document_files import read_document_text
from service.storage.response_tables import read_response
from service.wiring.lab_status import CalibrationStatus

__all__ = ["CalibrationBook", "CalibrationInForce"]

NOT_CALIBRATED: Final = CalibrationStatus(
    id=None,
    time=None,
    age_s=None,
    due=True,
    next_due=None,
    pascal_per_unit=None,
    U95_db=None,
    drift_db=None,
    void=False,
)
"""What is shown of an input without a calibration."""
_PAGE: Final = 200

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, eq=False)
class CalibrationInForce:
    """What the input is calibrated with."""

    document: CalibrationDocument
    """The calibration of all channels that count."""
    id: str | None
    """Id of the newest of them in the archive."""
    drift_db: float | None
    """By how much the microphone reads higher since than at the one before."""
    response: MicrophoneResponse | None
    """Response of the microphone to be taken out."""


class CalibrationBook:
    """Finds the calibration of the input, and keeps new ones.

    Parameters
    ----------
    archive : Archive
        Where calibrations are kept.
    data_folder : Path
        The data folder, with calibrations of earlier versions.
    named : Path, optional
        A file with a calibration that counts until a newer one is made.
    response : Path, optional
        A file with the response of the microphone.
    due_after : timedelta
        After how long the next one is due.
    now : callable
        The time.

    Raises
    ------
    DocumentError
        If a file that is named cannot be used.
    """

    def __init__(
        self,
        archive: Archive,
        data_folder: Path,
        *,
        named: Path | None,
        response: Path | None,
        due_after: timedelta,
        now: Callable[[], datetime],
    ) -> None:
        self._archive = archive
        self._history = CalibrationHistory(data_folder)
        self._named = None
        if named is not None:
            text = read_document_text(named, "calibration")
            self._named = CalibrationDocument.from_json(text, str(named))
            if not self._named.accepted:
                raise DocumentError(f"{named} is a calibration that was refused; name another.")
        self._response = response
        if response is not None:
            read_response(response, calibrated_at_hz=1000.0)
        self._due_after = due_after
        self._now = now
        self.in_force: CalibrationInForce | None = None
        """The calibration; None where there is none that fits."""
        self.why_none: str | None = None
        """Why there is none, in one sentence."""

    def look_up(self, name: str, rate_hz: int, channels: int) -> None:
        """Find the calibration of an input.

        Parameters
        ----------
        name : str
            The input.
        rate_hz, channels : int
            Its sampling rate and number of channels.

        Raises
        ------
        EvenhushError
            If the archive fails or a document is damaged.
        """
        found: dict[int, CalibrationDocument] = {}
        of_other_rate = None
        newest_id, newest_drift_db, newest_time = None, None, None
        for channel in range(1, channels + 1):
            self._take_over(name, channel)
            kept = self._archive.calibrations.latest(name, channel)
            document = None if kept is None else kept.document
            named = None if self._named is None else self._named.by_channel().get(channel)
            if named is not None and (document is None or named.time > document.time):
                document, kept = named, None
            if document is None:
                continue
            if document.rate_hz != rate_hz:
                of_other_rate = document.rate_hz
                continue
            found |= {channel: document.by_channel()[channel]}
            if newest_time is None or document.time > newest_time:
                newest_time = document.time
                newest_id = None if kept is None else kept.record.id
                newest_drift_db = None if kept is None else kept.record.drift_db
        if not found:
            self.in_force = None
            self.why_none = f"{name} was never calibrated, so it has no level; calibrate it."
            if of_other_rate is not None:
                self.why_none = (
                    f"{name} was calibrated at {of_other_rate} Hz but runs at {rate_hz} Hz; "
                    "calibrate it at the rate it is used with."
                )
            return
        joined = joined_calibration(list(found.values()))
        self.why_none = None
        self.in_force = CalibrationInForce(
            joined, newest_id, newest_drift_db, self._response_for(joined)
        )

    def _take_over(self, name: str, channel: int) -> None:
        """Take a calibration that stands in a file only into the archive."""
        try:
            filed = self._history.latest(name, channel)
        except DocumentError:
            logger.exception("The calibrations in files cannot be read")
            return
        kept = self._archive.calibrations.latest(name, channel)
        if filed is not None and (kept is None or filed.time > kept.record.time):
            self._archive.calibrations.add(filed, next_due=filed.time + self._due_after)

    def _response_for(self, calibration: CalibrationDocument) -> MicrophoneResponse | None:
        """Read the response of the microphone, if one is named."""
        if self._response is None:
            return None
        at_hz = calibration.reference_frequency_hz or 1000.0
        return read_response(self._response, calibrated_at_hz=at_hz)

    def scale_for(self, channels: int) -> InputScale:
        """Tell what the samples of the input mean, which has so many channels."""
        current = self.in_force
        if current is None:
            return uncalibrated(tuple(range(channels)))
        of_channels = current.document.by_channel()
        return InputScale(
            channels=tuple(channel - 1 for channel in of_channels),
            pascal_per_unit=np.array([each.pascal_per_unit for each in of_channels.values()]),
            calibrated=True,
            response=current.response,
            calibration_time=current.document.time,
        )

    def keep(self, document: CalibrationDocument, job: str | None) -> tuple[str, list[str]]:
        """Keep a calibration that was made, or a tone that was refused.

        Parameters
        ----------
        document : CalibrationDocument
            The calibration.
        job : str or None
            The job that made it.

        Returns
        -------
        str
            Its id.
        list of str
            What it says of the results measured since the one before, in sentences.

        Raises
        ------
        EvenhushError
            If it cannot be kept.
        """
        before = self._archive.calibrations.latest(document.input or "", document.channel)
        if not document.accepted:
            return self._archive.calibrations.add(document, job=job), []
        key = self._archive.calibrations.add(
            document, next_due=document.time + self._due_after, job=job
        )
        self._history.add(document)
        if before is None:
            return key, []
        return key, self._close_results(before.record.time, document)

    def _close_results(self, since: datetime, after: CalibrationDocument) -> list[str]:
        """Enter the drift into every match that was measured since the calibration before."""
        remarks: dict[str, int] = {}
        cursor = None
        while True:
            page = self._archive.matches.list(
                since=since, until=after.time, limit=_PAGE, before=cursor
            )
            for record in page.items:
                if record.drift_db is None and record.input == after.input:
                    remark = self._close(record.id, after)
                    if remark is not None:
                        remarks[remark] = remarks.get(remark, 0) + 1
            cursor = page.next
            if cursor is None:
                return [
                    f"{text} This is about {count} match(es)." for text, count in remarks.items()
                ]

    def _close(self, match: str, after: CalibrationDocument) -> str | None:
        """Enter the drift into one match; return what there is to say."""
        try:
            kept = self._archive.matches.get(match)
            closed, drift = close_series(kept.document, after, f"Match {match}")
            self._archive.matches.close_chain(match, closed)
        except DocumentError as error:
            logger.info("%s", error)
            return None
        return drift.remark

    def remarks(self) -> tuple[str, ...]:
        """Return what results measured now should say of the calibration."""
        status = self.status()
        if not status.due or status.age_s is None:
            return ()
        return (
            f"The microphone was calibrated {status.age_s / 3600.0:.0f} h before, but is to be "
            f"calibrated every {self._due_after.total_seconds() / 3600.0:g} h.",
        )

    def status(self) -> CalibrationStatus:
        """Return what is shown of it."""
        now, current = self._now(), self.in_force
        if current is None:
            return NOT_CALIBRATED
        document = current.document
        next_due = document.time + self._due_after
        return CalibrationStatus(
            id=current.id,
            time=document.time,
            age_s=(now - document.time).total_seconds(),
            due=now >= next_due,
            next_due=next_due,
            pascal_per_unit=document.pascal_per_unit,
            U95_db=document.U95_db,
            drift_db=current.drift_db,
            void=current.drift_db is not None and is_void(current.drift_db),
        )
