"""Everything heard at one setting, and the level it comes to."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.beats import Beat
from acoustic.intrusions import INTERVAL_S, GateSpread
from acoustic.signals import Samples
from acoustic.steady_level import SteadyLevel, steady_level
from acoustic.uncertainty import HuntingKnowledge
from calibration.fan_noise import Estimate
from calibration.goal import SoundColour, colour_of
from calibration.steps import Heard

__all__ = ["ListeningKnowledge", "SettingListener"]

_PRIOR_SPREAD: Final = GateSpread(0.25, 10.0)
"""Spread of 100 ms levels of a typical fan, worth one second of listening."""


_ARRIVAL_INTERVALS: Final = 20
"""Two seconds: as long as a speed has to rest before it counts as settled."""


_PARTS: Final = 4
"""Parts of a listening whose colours are compared, to tell how well the colour is known."""


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
    _bands: list[Samples] = field(default_factory=list)
    _level: SteadyLevel | None = None
    _unrest_s: float = 0.0

    def add(self, heard: Heard, rpm: float | None, unrest: float = 0.0) -> None:
        """Append what was heard, the fan speed read with it and how far it is from rest."""
        self._unrest_s += INTERVAL_S * heard.levels_db.size * unrest
        self._levels.append(heard.levels_db)
        self._valid.append(heard.valid)
        if heard.bands_db is not None:
            self._bands.append(heard.bands_db)
        self._level = None
        if rpm is not None:
            self._rpm.append(rpm)

    @property
    def heard_s(self) -> float:
        """Sound taken so far, in seconds."""
        return INTERVAL_S * sum(levels.size for levels in self._levels)

    @property
    def unrest(self) -> float:
        """How far from rest the fans were in the mean."""
        return self._unrest_s / self.heard_s if self.heard_s else 0.0

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
    def hunts_db(self) -> float:
        """How much the level hunts, as far as is known; 0 while nothing can be used."""
        mean = self._heard().mean
        return 0.0 if mean is None else mean.wander_sd_db

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

    def bands_db(self) -> Samples | None:
        """Mean one-third octaves of what counts, floor included; None where there are none."""
        whole = self._colour(slice(None), None, -np.inf)
        return None if whole is None else whole.highest_db

    def colours(
        self, floor_bands_db: Samples | None, floor_db: float
    ) -> tuple[SoundColour | None, list[SoundColour]]:
        """Colour of the cooler alone.

        Parameters
        ----------
        floor_bands_db : ndarray of float64, shape (28,), or None
            The room alone in dB; None where it is part of what counts.
        floor_db : float
            LAeq of the room in dB.

        Returns
        -------
        SoundColour or None
            Colour of all that counts; None where nothing of it has one.
        list of SoundColour
            Colours of consecutive parts.
        """
        count = sum(levels.size for levels in self._levels)
        edges = np.linspace(0, count, _PARTS + 1).astype(int)
        parts = [
            self._colour(slice(start, end), floor_bands_db, floor_db)
            for start, end in pairwise(edges)
        ]
        whole = self._colour(slice(None), floor_bands_db, floor_db)
        return whole, [part for part in parts if part is not None]

    def _colour(
        self, part: slice, floor_bands_db: Samples | None, floor_db: float
    ) -> SoundColour | None:
        """Colour of a part of the listening."""
        if not self._bands:
            return None
        return colour_of(
            np.concatenate(self._levels)[part],
            np.concatenate(self._bands)[part],
            self._heard().usable[part],
            floor_bands_db,
            floor_db,
        )
