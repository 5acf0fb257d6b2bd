"""Everything heard at one setting, and the level it comes to."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.beats import Beat
from acoustic.intrusions import INTERVAL_S, GateSpread
from acoustic.signals import Samples
from acoustic.steady_level import SteadyLevel, steady_level
from acoustic.uncertainty import HuntingKnowledge
from calibration.fan_noise import Estimate
from calibration.steps import Heard

__all__ = ["ListeningKnowledge", "SettingListener"]

_PRIOR_SPREAD: Final = GateSpread(0.25, 10.0)
"""Spread of 100 ms levels of a typical fan, worth one second of listening."""


_ARRIVAL_INTERVALS: Final = 20
"""Two seconds: as long as a speed has to rest before it counts as settled."""


@dataclass(frozen=True, slots=True)
class ListeningKnowledge:
    """What earlier settings of the same cooler say about how its level moves."""

    hunting: HuntingKnowledge = field(default_factory=HuntingKnowledge)
    """Size and speed of the hunting."""
    spread: GateSpread = _PRIOR_SPREAD
    """White spread of the 100 ms levels."""


@dataclass(slots=True)
class SettingListener:
    """Collects the 100 ms levels of one setting."""

    known: ListeningKnowledge
    """What is known beforehand."""
    arrival: Sequence[Heard] = ()
    """What was heard while the speed settled: no part of the level, but it shows when an intrusion
    began before the listening did."""
    _levels: list[Samples] = field(default_factory=list)
    _valid: list[npt.NDArray[np.bool_]] = field(default_factory=list)
    _rpm: list[float] = field(default_factory=list)
    _level: SteadyLevel | None = None

    def add(self, heard: Heard, rpm: float | None) -> None:
        """Append what was heard, and the fan speed read with it."""
        self._levels.append(heard.levels_db)
        self._valid.append(heard.valid)
        self._level = None
        if rpm is not None:
            self._rpm.append(rpm)

    @property
    def heard_s(self) -> float:
        """Sound taken so far, in seconds."""
        return INTERVAL_S * sum(levels.size for levels in self._levels)

    @property
    def rpm(self) -> float | None:
        """Mean speed over the listening; None without a tachometer."""
        return float(np.mean(self._rpm)) if self._rpm else None

    def _heard(self) -> SteadyLevel:
        """What everything heard here comes to."""
        if self._level is None:
            self._level = steady_level(
                np.concatenate(self._levels),
                np.concatenate(self._valid),
                hunting=self.known.hunting,
                spread=self.known.spread,
                before_db=self._last_of_arrival(),
            )
        return self._level

    def _last_of_arrival(self) -> Samples:
        """Trustworthy levels of the last two seconds of settling, when the speed was at rest."""
        kept = [
            heard.levels_db[heard.valid & np.isfinite(heard.levels_db)] for heard in self.arrival
        ]
        return np.concatenate([np.zeros(0), *kept])[-_ARRIVAL_INTERVALS:]

    @property
    def rejected_s(self) -> float:
        """How much of the sound was left out, in seconds."""
        return float(INTERVAL_S * np.count_nonzero(~self._heard().usable))

    @property
    def left_out_s(self) -> tuple[tuple[float, float], ...]:
        """Start and end of each part that was left out, in seconds from the first sound."""
        out = np.concatenate(([False], ~self._heard().usable, [False]))
        edges = np.flatnonzero(np.diff(out.astype(np.int_))).reshape(-1, 2)
        return tuple(
            (round(INTERVAL_S * int(start), 1), round(INTERVAL_S * int(end), 1))
            for start, end in edges
        )

    @property
    def beat(self) -> Beat | None:
        """Beat of the level; None where there is none for sure."""
        return self._heard().beat

    def estimate(self) -> Estimate | None:
        """Level at this setting as read.

        Returns
        -------
        Estimate or None
            Mean and standard error; None while not one second is usable.
        """
        mean = self._heard().mean
        return None if mean is None else Estimate(mean.mean_db, mean.standard_error_db)

    def knowledge(self) -> ListeningKnowledge:
        """Return what is known after this setting."""
        heard = self._heard()
        return ListeningKnowledge(heard.hunting, heard.spread)
