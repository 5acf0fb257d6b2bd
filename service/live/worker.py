"""The thread that makes live frames and the level log of the sound it is given."""

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from service.live.bench_view import BenchView
from service.live.feed import LiveFeed
from service.live.frames import LiveFrame, LiveJob
from service.live.heard import HeardBlock
from service.live.hub import Listener
from service.live.levels import LevelChain, LiveLevels
from service.live.minutes import MinuteLog
from service.live.running_level import RunningLevel
from service.live.scale import InputScale
from service.ports import SoundSource
from service.records.levels import LevelMinute

__all__ = ["RISING", "LiveWorker", "Surroundings"]

RISING: Final = "the levels still rise"
"""What speaks against the first frames after a beginning."""
_MOST_BLOCKS: Final = 20
"""Two seconds: more is left out, so that what is shown is what is heard."""
_AHEAD_BLOCKS: Final = 3
"""What may wait of inputs that can be kept waiting."""
_RISE_BLOCKS: Final = 7
"""So long level F rises from rest, and says nothing."""
_END_S: Final = 5.0

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a frame says besides the sound."""

    floor_db: float | None = None
    """LAeq of the last floor check that was fit to use."""
    target_db: float | None = None
    """Level to reach."""
    bench: BenchView | None = None
    """The bench."""
    job: LiveJob | None = None
    """The measurement under way."""


@dataclass(frozen=True, slots=True, eq=False)
class _Opened:
    """An input as it was opened, or as it is heard from now on."""

    name: str
    rate_hz: int
    scale: InputScale


class LiveWorker(Listener):
    """Makes frames of every tenth of a second, and keeps its levels.

    Parameters
    ----------
    feed : LiveFeed
        Where frames go.
    scale_of : callable
        Tells what the samples of an input mean now.
    surroundings : callable
        Tells what else a frame says; called for each, in the worker's thread.
    keep : callable
        Given each minute of the level log; must not wait for the disk.
    """

    def __init__(
        self,
        feed: LiveFeed,
        *,
        scale_of: Callable[[SoundSource], InputScale],
        surroundings: Callable[[], Surroundings],
        keep: Callable[[LevelMinute], None],
    ) -> None:
        self._feed = feed
        self._scale_of = scale_of
        self._surroundings = surroundings
        self._keep = keep
        self._changed = threading.Condition()
        self._items: deque[HeardBlock | _Opened] = deque()
        self._blocks = 0
        self._left_out = False
        self._ending = False
        self._opened: _Opened | None = None
        self._reset = False
        self._chain: LevelChain | None = None
        self._log: MinuteLog | None = None
        self._running = RunningLevel()
        self._rising = _RISE_BLOCKS
        self.on_room: Callable[[], None] = lambda: None
        """Called when there is room for more sound."""
        self._thread = threading.Thread(target=self._run, name="evenhush-live", daemon=True)

    def start(self) -> None:
        """Begin to work."""
        self._thread.start()

    def opened(self, source: SoundSource) -> None:
        """Learn that an input was opened; its scale is asked for here."""
        opened = _Opened(source.name, source.rate_hz, self._scale_of(source))
        with self._changed:
            self._opened = opened
            self._items.append(opened)
            self._changed.notify_all()

    def rescale(self, scale: InputScale) -> None:
        """Hear with another scale from now on, such as after a calibration."""
        with self._changed:
            if self._opened is not None:
                opened = self._opened
                self._opened = _Opened(opened.name, opened.rate_hz, scale)
                self._items.append(self._opened)
                self._changed.notify_all()

    def reset(self) -> None:
        """Begin the running level anew."""
        self._reset = True

    def hear(self, heard: HeardBlock) -> None:
        """Take a block; where too many wait, leave it out."""
        with self._changed:
            if self._blocks >= _MOST_BLOCKS:
                self._left_out = True
                return
            if self._left_out and self._opened is not None:
                # What comes now does not go on with what came before.
                self._left_out = False
                self._items.append(self._opened)
            self._items.append(heard)
            self._blocks += 1
            self._changed.notify_all()

    def gives_way(self) -> bool:
        """Tell whether it can take another block."""
        return self._blocks < _AHEAD_BLOCKS

    def wants(self) -> bool:
        """Tell whether somebody waits for a frame."""
        return self._feed.wanted

    def close(self) -> None:
        """Work off what waits, keep the minute that has begun, and end."""
        with self._changed:
            self._ending = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(_END_S)
        self._feed.close()

    def _run(self) -> None:
        """Work until the end."""
        while (item := self._next()) is not None:
            try:
                if isinstance(item, _Opened):
                    self._begin(item)
                else:
                    self._hear(item)
            except Exception:
                # One bad block must not end the live view.
                logger.exception("A block of sound could not be shown")
        if self._log is not None:
            self._finish(self._log)

    def _next(self) -> HeardBlock | _Opened | None:
        """Wait for the next item; None at the end."""
        with self._changed:
            self._changed.wait_for(lambda: self._items or self._ending)
            if not self._items:
                return None
            item = self._items.popleft()
            if isinstance(item, HeardBlock):
                self._blocks -= 1
        self.on_room()
        return item

    def _begin(self, opened: _Opened) -> None:
        """Begin from rest."""
        self._chain = LevelChain(opened.rate_hz, opened.scale)
        if self._log is None:
            self._log = MinuteLog(opened.name, self._keep)
        self._running = RunningLevel()
        self._rising = _RISE_BLOCKS

    def _hear(self, heard: HeardBlock) -> None:
        """Show and log what is complete."""
        if self._chain is None or self._log is None:
            return
        for levels in self._chain.hear(heard):
            rising = self._rising > 0
            self._rising = max(self._rising - 1, 0)
            if not rising:
                self._log.add(levels)
            self._feed.publish(self._frame(levels, rising=rising))

    def _frame(self, levels: LiveLevels, *, rising: bool) -> LiveFrame:
        """Put a frame together."""
        if self._reset:
            self._reset, self._running = False, RunningLevel()
        faults = levels.faults
        if rising:
            faults = (*faults, RISING)
        if not faults:
            self._running.add(levels.LAeq_db)
        around = self._surroundings()
        return LiveFrame(
            number=levels.number,
            time=levels.time,
            calibrated=levels.calibrated,
            valid=not faults,
            faults=faults,
            LAF_db=levels.LAF_db,
            LAeq_1s_db=levels.LAeq_1s_db,
            LAeq_db=self._running.LAeq_db,
            LAeq_s=self._running.seconds,
            third_octaves_db=levels.third_octaves_db,
            spectrum_db=levels.spectrum_db,
            floor_db=around.floor_db if levels.calibrated else None,
            target_db=around.target_db if levels.calibrated else None,
            bench=around.bench,
            job=around.job,
        )

    @staticmethod
    def _finish(log: MinuteLog) -> None:
        try:
            log.finish()
        except Exception:
            logger.exception("The last minute of levels could not be kept")
