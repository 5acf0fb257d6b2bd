"""The lab: sound, bench, archive and queue as one object with plain methods, for web and tests."""

import logging
import threading
from collections.abc import Callable
from contextlib import ExitStack, suppress
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from acoustic.errors import EvenhushError, InputError
from service.clock import utc_now
from service.errors import SettingsError
from service.jobs.queue import JobQueue
from service.live.feed import LiveFeed
from service.live.hub import SoundHub
from service.live.scale import InputScale
from service.live.worker import LiveWorker, Surroundings
from service.ports import SoundSource
from service.records.levels import LevelMinute
from service.settings import Settings
from service.storage.archive import Archive
from service.storage.claims import Claim
from service.wiring.archiving import open_archive
from service.wiring.lab_bench import BenchWatch
from service.wiring.lab_calibration import CalibrationBook
from service.wiring.lab_demo import DemoEquipment, demo_coolers
from service.wiring.lab_equipment import Equipment, RealEquipment
from service.wiring.lab_floors import FloorBook
from service.wiring.lab_hearing import LabParts
from service.wiring.lab_keeper import LabKeeper
from service.wiring.lab_measuring import LabMeasuring
from service.wiring.lab_status import InputStatus, LabStatus

__all__ = ["Lab", "open_demo_lab", "open_lab"]

_CLAIM: Final = "serve.lock"
"""Whoever holds it in a data folder is the one lab of its queue."""
_TICK_S: Final = 1.0
"""How often the lab looks after itself."""
_END_S: Final = 10.0
_ITSELF: Final = "evenhush"
"""Who does what nobody asked for."""

logger = logging.getLogger(__name__)


class Lab:
    """Everything that one bench PC measures, remembers and shows; a context manager.

    All methods may be called from any thread. Made by `open_lab` or `open_demo_lab`.

    Parameters
    ----------
    settings : Settings
        The configuration.
    data_folder : Path
        The data folder.
    archive : Archive
        What was measured; closed with the lab.
    equipment : Equipment
        Input, bench and hands; closed with the lab.
    now : callable, optional
        The time.
    tick_s : float or None, optional
        How often the lab looks after itself, in seconds; None leaves that to calls of
        `look_after`.
    let_go : callable, optional
        Called when everything has ended.
    """

    def __init__(
        self,
        settings: Settings,
        data_folder: Path,
        archive: Archive,
        equipment: Equipment,
        *,
        now: Callable[[], datetime] = utc_now,
        tick_s: float | None = _TICK_S,
        let_go: Callable[[], None] = lambda: None,
    ) -> None:
        self.settings = settings
        """The configuration."""
        self.data_folder = data_folder
        """Where everything is kept."""
        self.archive = archive
        """What was measured."""
        self.live = LiveFeed()
        """Live frames: ``live.subscribe()`` gives a reader, ``live.newest`` the last frame."""
        self._equipment = equipment
        self._now = now
        self._let_go = let_go
        self._closing = threading.Lock()
        self._recalibrating = threading.Lock()
        self._closed = False
        serve = settings.serve
        every_min = serve.floor_check_every_min
        self._calibrations = CalibrationBook(
            archive,
            data_folder,
            named=settings.calibration,
            response=settings.response,
            due_after=timedelta(hours=serve.calibration_due_h),
            now=now,
        )
        floors = FloorBook(
            archive,
            self._calibrations,
            every=timedelta(minutes=every_min) if every_min else None,
            now=now,
        )
        self._bench = None if equipment.bench is None else BenchWatch(equipment.bench, now)
        self._worker = LiveWorker(
            self.live,
            scale_of=self._scale_of,
            surroundings=self._surroundings,
            keep=self._keep_minute,
        )
        self._hub = SoundHub(
            equipment.open_source, pace=equipment.pace, listener=self._worker, now=now
        )
        self._worker.on_room = self.live.on_wait = self._hub.wake
        parts = LabParts(
            settings=settings,
            data_folder=data_folder,
            archive=archive,
            equipment=equipment,
            hub=self._hub,
            calibrations=self._calibrations,
            floors=floors,
            bench=self._bench,
            now=now,
        )
        self.queue = JobQueue(
            archive.jobs, LabMeasuring(parts, self._recalibrate), now=now, note=self._note
        )
        """Measurements: what waits, what runs, what was done."""
        self._keeper = LabKeeper(parts, self.queue, self.live, self._note, self._recalibrate)
        self._ending = threading.Event()
        self._tick_s = tick_s
        self._thread = threading.Thread(target=self._watch, name="evenhush-watch", daemon=True)

    def start(self) -> None:
        """Begin to hear, to measure and to look after itself.

        Raises
        ------
        StorageError
            If the archive fails.
        """
        self._worker.start()
        self._hub.start()
        self.queue.start()
        if self._tick_s is not None:
            self._thread.start()

    def status(self) -> LabStatus:
        """Return the state of everything now; takes well under a millisecond, asks nobody."""
        hub = self._hub.state
        active = self.queue.active()
        job = self.queue.current
        current = self._calibrations.in_force
        used = () if current is None else tuple(current.document.by_channel())
        keeper = self._keeper
        return LabStatus(
            time=self._now(),
            demo=self._equipment.demo,
            speed=self._equipment.pace.speed,
            input=InputStatus(
                name=self._equipment.input_name,
                connected=hub.connected,
                rate_hz=hub.rate_hz,
                channels=hub.channels,
                used_channels=used or tuple(range(1, (hub.channels or 0) + 1)),
            ),
            calibration=self._calibrations.status(),
            floor=keeper.floors.status(),
            next_floor_check=keeper.floors.next_due,
            bench=None if self._bench is None else self._bench.view,
            job=job,
            queue_length=sum(view.state == "queued" for view in active),
            problems=keeper.problems,
        )

    def reset_live(self) -> None:
        """Begin the running LAeq of the live frames anew, with the next frame."""
        self._worker.reset()

    def look_after(self) -> None:
        """Look at the bench and what is due; called by the lab itself every second."""
        self._keeper.look_after()

    def close(self) -> None:
        """End everything in order: measurements, lease, sound, archive; harmless when done twice.

        A measurement that runs is stopped within a tenth of a second of sound, gives the bench
        back, and stands as interrupted. Every wait is bounded.
        """
        with self._closing:
            if self._closed:
                return
            self._closed = True
        with ExitStack() as ends:
            # Last in, first out; each is done whatever the others did.
            ends.callback(self._let_go)
            ends.callback(self.archive.close)
            ends.callback(self._equipment.close)
            ends.callback(self._worker.close)
            ends.callback(self._hub.close)
            if self._bench is not None:
                ends.callback(self._bench.close)
            ends.callback(self._end_watch)
            ends.callback(self.queue.close)

    def _end_watch(self) -> None:
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(_END_S)

    def __enter__(self) -> Self:
        """Return the lab itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        self.close()

    def _watch(self) -> None:
        """Look after everything until the end."""
        while not self._ending.wait(self._tick_s):
            try:
                self.look_after()
            except Exception:
                # What went wrong this second may go well in the next.
                logger.exception("The lab could not look after itself")

    def _scale_of(self, source: SoundSource) -> InputScale:
        """Tell what the samples of an input mean that was opened just now."""
        try:
            self._look_up_calibration(source.name, source.rate_hz, source.channels)
        except EvenhushError:
            logger.exception("The calibration could not be found")
        return self._calibrations.scale_for(source.channels)

    def _recalibrate(self) -> None:
        """Find the calibration in force, and hear with it from now on where it is another one."""
        state = self._hub.state
        if state.name is None or state.rate_hz is None or state.channels is None:
            return
        if self._look_up_calibration(state.name, state.rate_hz, state.channels):
            self._worker.rescale(self._calibrations.scale_for(state.channels))

    def _look_up_calibration(self, name: str, rate_hz: int, channels: int) -> bool:
        """Find the calibration in force, and note it where it is another one than before."""
        with self._recalibrating:
            before = self._calibrations.in_force
            self._calibrations.look_up(name, rate_hz, channels)
            now = self._calibrations.in_force
            if now is None or (before is not None and now.document == before.document):
                return False
            document = now.document
            self._note(
                "calibration-in-force",
                _ITSELF,
                f"Levels of {name} count with the calibration of {document.time:%Y-%m-%d %H:%M:%S} "
                f"UTC, {document.pascal_per_unit:.6g} Pa per unit ({now.id or 'from a file'}).",
            )
            return True

    def _surroundings(self) -> Surroundings:
        """Return what a live frame shows besides the sound."""
        return self._keeper.surroundings()

    def _keep_minute(self, minute: LevelMinute) -> None:
        """Keep a minute of levels, without waiting."""
        self.archive.levels.add(minute).add_done_callback(self._keeper.disk_done)

    def _note(self, kind: str, who: str, what: str) -> None:
        """Keep an event; that it cannot be kept ends nothing."""
        try:
            self.archive.events.add(kind=kind, who=who, what=what, time=self._now())
        except EvenhushError:
            logger.exception("The event %s could not be kept: %s", kind, what)


def open_lab(settings: Settings, data_folder: Path) -> Lab:
    """Open the lab that a configuration describes.

    An input or a bench that cannot be reached is no error: it is a problem in the status, and
    tried again.

    Parameters
    ----------
    settings : Settings
        The configuration: input, bench, calibration, response, database, times.
    data_folder : Path
        The data folder.

    Returns
    -------
    Lab
        The lab, at work; close it.

    Raises
    ------
    EvenhushError
        If no input is named, or the archive or a file that is named cannot be used.
    """
    equipment = RealEquipment(settings, data_folder, logger.warning)
    return _open(settings, data_folder, equipment)


def open_demo_lab(
    settings: Settings, data_folder: Path, *, seed: int = 1, speed: float | None = 4.0
) -> Lab:
    """Open a lab with a simulated room, microphone and bench; what is mounted can be changed.

    Parameters
    ----------
    settings : Settings
        The configuration; what it says of input, bench and calibration is left aside.
    data_folder : Path
        The data folder.
    seed : int, optional
        Seed of everything random in the room.
    speed : float or None, optional
        How many times faster than real time it goes; None for as fast as it is asked for.

    Returns
    -------
    Lab
        The lab, at work; close it.

    Raises
    ------
    EvenhushError
        If the archive cannot be used.
    """
    plain = settings.model_copy(update={"calibration": None, "response": None})
    lab = _open(plain, data_folder, DemoEquipment(seed=seed, speed=speed))
    for cooler in demo_coolers():
        with suppress(InputError):  # it is there from the last time
            lab.archive.coolers.add(cooler)
    return lab


def _open(settings: Settings, data_folder: Path, equipment: Equipment) -> Lab:
    """Put a lab together; whatever fails closes what was opened."""
    with ExitStack() as opened:
        opened.callback(equipment.close)
        claim = Claim(data_folder / _CLAIM)
        if not claim.take():
            raise SettingsError(
                f"Another lab is served with the data folder {data_folder}; stop that one, or "
                "name another folder with --data."
            )
        opened.callback(claim.release)
        archive = opened.enter_context(open_archive(settings, data_folder))
        lab = Lab(settings, data_folder, archive, equipment, let_go=claim.release)
        opened.pop_all()
    try:
        lab.start()
    except BaseException:
        lab.close()
        raise
    return lab
