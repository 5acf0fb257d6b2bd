"""When a change of speed has come to rest, judged by the tachometer alone."""

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

__all__ = ["LATENCY_S", "SETTLED_CHANGE", "SpeedHistory"]

LATENCY_S: Final = 1.5
"""A speed may be heard this much after it was asked for: buffers of drivers, sockets and pipes."""
SETTLED_CHANGE: Final = 0.004
"""Relative change of speed over the window below which a speed counts as settled: 0.1 dB."""
_WINDOW_S: Final = 2.0
"""Longer than the latency, so that what is heard now was produced at the settled speed."""
_COARSEST_STEP: Final = 0.05
"""Steps of a tachometer are no coarser than this; a larger jump is a drop-out."""
_GIVE_UP_S: Final = 25.0
"""A speed that still wanders after this long is heard as it is; its hunting enters the interval."""
_WITHOUT_TACHOMETER_S: Final = 10.0
"""Three time constants of a slow rotor, where nothing shows its speed."""


@dataclass(slots=True)
class SpeedHistory:
    """Tachometer readings since a change of duty."""

    seconds: list[float] = field(default_factory=lambda: [0.0])
    """Time of each reading since the change, in seconds of sound."""
    rpm: list[float | None] = field(default_factory=lambda: [None])
    """Mean fan speed at each; the first is unknown, as the old speed says nothing."""

    def add(self, elapsed_s: float, rpm: float | None) -> None:
        """Append a reading taken `elapsed_s` seconds of sound after the last."""
        self.seconds.append(self.seconds[-1] + elapsed_s)
        self.rpm.append(rpm)

    @property
    def last_rpm(self) -> float | None:
        """The last reading."""
        return self.rpm[-1]

    def readings(self) -> tuple[list[float], list[float]]:
        """Times and speeds of the readings that told a speed."""
        told = [
            (seconds, rpm)
            for seconds, rpm in zip(self.seconds, self.rpm, strict=True)
            if rpm is not None
        ]
        return [seconds for seconds, _ in told], [rpm for _, rpm in told]

    def settled(self, tolerated_change: float = SETTLED_CHANGE) -> bool:
        """Tell whether the speed has come to rest.

        Parameters
        ----------
        tolerated_change : float, optional
            Relative change over two seconds that still counts as rest; a coarser one will do
            while exploring.

        Returns
        -------
        bool
            True once all readings of the last 2 s agree, after 25 s in any case, and after 10 s
            where there is no tachometer.
        """
        now = self.seconds[-1]
        if now >= _GIVE_UP_S:
            return True
        if self.rpm[-1] is None:
            return now >= _WITHOUT_TACHOMETER_S
        if now < _WINDOW_S:
            return False
        start = now - _WINDOW_S - 1e-9
        recent = [
            rpm
            for seconds, rpm in zip(self.seconds, self.rpm, strict=True)
            if rpm is not None and seconds >= start
        ]
        if max(recent) - min(recent) <= tolerated_change * max(recent):
            return True
        return self._flickers(recent)

    def _flickers(self, recent: list[float]) -> bool:
        """Tell whether readings only go back and forth between two steps of the tachometer.

        A coarse tachometer never agrees with itself; a speed on its way goes one way.
        """
        spread = max(recent) - min(recent)
        if spread > _COARSEST_STEP * max(recent):
            return False
        known = [rpm for rpm in self.rpm if rpm is not None]
        moves = [after - before for before, after in pairwise(known) if after != before]
        if not moves or spread > 1.05 * min(abs(move) for move in moves):
            return False
        steps = [after - before for before, after in pairwise(recent)]
        return any(step > 0 for step in steps) and any(step < 0 for step in steps)
