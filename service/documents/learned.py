"""What is known of a cooler from earlier, as documents carry it."""

from typing import Self

import numpy as np

from acoustic.intrusions import GateSpread
from acoustic.uncertainty import HuntingKnowledge
from calibration.fan_noise import Estimate
from calibration.learned import Learned, LearnedSetting
from calibration.listening import ListeningKnowledge
from service.documents.base import Part
from service.errors import DocumentError

__all__ = ["LearnedPart"]


class LearnedSettingPart(Part):
    """A setting that was heard earlier."""

    fan_percent: float
    """Duty of the fans."""
    speed: float
    """Their mean speed in rpm, or the duty in its place where no tachometer tells."""
    pump_percent: float
    """Duty of the pump; 0 without one."""
    level_db: float
    """Level of the cooler alone."""
    sd_db: float
    """Its standard deviation."""


class HuntingPart(Part):
    """How the level of a cooler moves."""

    log_weight: list[list[float]]
    """Log weight of each size and time constant of its hunting."""
    spread_db: float
    """White spread of its 100 ms levels."""
    spread_weight: float
    """How many intervals that spread is worth."""


class LearnedPart(Part):
    """What earlier runs say about one cooler on one bench."""

    settings: list[LearnedSettingPart]
    """Settings in the order they were heard."""
    offset_sd_db: float
    """How far all these levels may be off together, as a standard deviation."""
    running_percent: float | None
    """Lowest duty at which the fans were seen turning."""
    standing_percent: float | None
    """Highest duty at which they were seen standing."""
    time_constants_s: list[float]
    """Time constants of the rotor."""
    hunting: HuntingPart | None
    """How its level hunts; null where that is not known."""

    @classmethod
    def of(cls, learned: Learned) -> Self:
        """Put what is known into the document's form, to the last digit."""
        listening = learned.listening
        hunting = None
        if listening is not None:
            hunting = HuntingPart(
                log_weight=listening.hunting.log_weight.tolist(),
                spread_db=float(listening.spread.spread_db),
                spread_weight=float(listening.spread.weight_intervals),
            )
        return cls(
            settings=[
                LearnedSettingPart(
                    fan_percent=float(setting.fan_percent),
                    speed=float(setting.speed),
                    pump_percent=float(setting.pump_percent),
                    level_db=float(setting.level.mean_db),
                    sd_db=float(setting.level.sd_db),
                )
                for setting in learned.settings
            ],
            offset_sd_db=learned.offset_sd_db,
            running_percent=learned.running_percent,
            standing_percent=learned.standing_percent,
            time_constants_s=[float(seconds) for seconds in learned.time_constants_s],
            hunting=hunting,
        )

    def to_learned(self) -> Learned:
        """Return what is known.

        Raises
        ------
        DocumentError
            If it was made by a version that tells hunting by other sizes or times.
        """
        return Learned(
            settings=tuple(
                LearnedSetting(
                    setting.fan_percent,
                    setting.speed,
                    setting.pump_percent,
                    Estimate(setting.level_db, setting.sd_db),
                )
                for setting in self.settings
            ),
            offset_sd_db=self.offset_sd_db,
            running_percent=self.running_percent,
            standing_percent=self.standing_percent,
            time_constants_s=tuple(self.time_constants_s),
            listening=None if self.hunting is None else _listening(self.hunting),
        )


def _listening(part: HuntingPart) -> ListeningKnowledge:
    """Return how a level hunts."""
    rows, columns = HuntingKnowledge().log_weight.shape
    if len(part.log_weight) != rows or any(len(row) != columns for row in part.log_weight):
        raise DocumentError(
            "What the trail says of earlier hunting was made by another version; replay it with "
            "the version that made it."
        )
    return ListeningKnowledge(
        HuntingKnowledge(np.array(part.log_weight)),
        GateSpread(part.spread_db, part.spread_weight),
    )
