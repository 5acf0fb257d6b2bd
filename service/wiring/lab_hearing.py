"""The shared sound as one measurement of the lab hears it, and everything it measures with."""

import logging
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from acoustic.errors import EvenhushError
from calibration.bench_state import Role
from calibration.steps import Heard
from service.bench.client import BenchClient
from service.errors import DocumentError, SettingsError
from service.jobs.level_points import LevelPoints
from service.jobs.measuring import JobHand
from service.live.hub import SoundHub
from service.settings import Settings
from service.storage.archive import Archive
from service.storage.kept_files import read_kept_sound
from service.wiring.keeping import Keeping, KeepRequest, keep_sound
from service.wiring.lab_bench import BenchWatch, WatchedBench
from service.wiring.lab_calibration import CalibrationBook, CalibrationInForce
from service.wiring.lab_equipment import Equipment
from service.wiring.lab_floors import FloorBook
from service.wiring.match_series import Hearing

__all__ = ["LabParts", "Told"]

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class LabParts:
    """Everything that measurements of the lab share."""

    settings: Settings
    """The configuration."""
    data_folder: Path
    """The data folder."""
    archive: Archive
    """What was measured."""
    equipment: Equipment
    """Input, bench and hands."""
    hub: SoundHub
    """The shared sound."""
    calibrations: CalibrationBook
    """The calibration in force."""
    floors: FloorBook
    """The room floor."""
    bench: BenchWatch | None
    """The bench as it is seen; None where none is configured."""
    now: Callable[[], datetime]
    """The time."""

    def calibration(self) -> CalibrationInForce:
        """Return the calibration in force.

        Raises
        ------
        DocumentError
            If there is none.
        """
        current = self.calibrations.in_force
        if current is None:
            raise DocumentError(
                self.calibrations.why_none or "The input was never calibrated; calibrate it."
            )
        return current

    def must_have_bench(self) -> BenchWatch:
        """Return the bench.

        Raises
        ------
        SettingsError
            If none is configured.
        """
        if self.bench is None:
            raise SettingsError(
                'No bench is configured; set bench = "http://…" in the configuration.'
            )
        return self.bench

    @contextmanager
    def at_the_bench(self, *, patience_s: float = 4.0) -> Iterator[WatchedBench]:
        """Reach the bench for a measurement; its lease and the connection end with it."""
        watch = self.must_have_bench()
        client: BenchClient = watch.connect(patience_s=patience_s)
        with closing(client):
            yield WatchedBench(client, watch)

    @contextmanager
    def listening(self, hand: JobHand, kind: str, cooler: str | None = None) -> Iterator[Keeping]:
        """Hear the shared sound for a measurement, and keep it where that is configured."""
        hand.check()
        tap = self.hub.listen()
        file = None
        try:
            with closing(tap):
                hand.on_halt(tap.end)
                with keep_sound(
                    tap, self._keep_request(kind), cooler=cooler, insist=False, tell=hand.tell
                ) as keeping:
                    file = keeping.file
                    yield keeping
        finally:
            self._remember_sound(hand, file, tap.rate_hz, tap.channels)

    @contextmanager
    def hearing(self, hand: JobHand, kind: str, cooler: str | None = None) -> Iterator[Hearing]:
        """Hear it calibrated."""
        current = self.calibration()
        with self.listening(hand, kind, cooler) as keeping:
            of_channels = list(current.document.by_channel().values())
            keeping.know(of_channels, current.response)
            yield Hearing(
                keeping.source,
                current.document,
                current.response,
                keeping,
                self.calibrations.remarks(),
            )

    def _remember_sound(
        self, hand: JobHand, file: Path | None, rate_hz: int, channels: int
    ) -> None:
        """Let the archive know of sound that was kept; elsewhere it stands by itself."""
        if file is None or not file.is_relative_to(self.data_folder) or not file.exists():
            return
        try:
            document = read_kept_sound(file, rate_hz=rate_hz, channels=channels)
            if document is not None:
                hand.has_put("sound", self.archive.sounds.add(file, document, job=hand.id))
        except EvenhushError:
            # It is on the disk all the same, and whatever ends the measurement comes first.
            logger.exception("The archive does not know of %s", file)

    def _keep_request(self, kind: str) -> KeepRequest | None:
        folder = self.settings.keep
        return None if folder is None else KeepRequest(folder, self.settings.keep_as, kind)


class Told:
    """The person at the bench, as procedures know one: told by the job, and there already.

    Parameters
    ----------
    hand : JobHand
        The job.
    roles : dict of str to Role
        What each actuator of the bench drives.
    """

    anew: Final = "a retake"

    def __init__(self, hand: JobHand, roles: dict[str, Role]) -> None:
        self._hand = hand
        self._points = LevelPoints(roles)
        self.tell = hand.tell
        """Takes a remark."""

    def mounts(self, cooler: str) -> bool:  # noqa: ARG002 - it was mounted before the job began
        """Say that it is mounted."""
        return True

    def hears(self, heard: Heard) -> None:
        """Show what is heard."""
        self._hand.show(self._points.add(heard))
