"""What a match has heard so far, and what it makes of it."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from acoustic.decibels import energy_sum_db
from acoustic.signals import Samples
from calibration.fan_noise import (
    Estimate,
    NoisePosterior,
    NoisePriors,
    SettingLevel,
    fit_noise_of_any,
)
from calibration.learned import NOTHING_LEARNED, Learned
from calibration.results import AppliesTo, HeardSetting, LevelCurve

__all__ = ["Evidence"]

_DOUBTED_SPREADS: Final = 3.0
"""A setting this far above what all others say was drowned by something else."""
_DOUBTED_SD_DB: Final = 20.0
"""What a doubted reading is worth: next to nothing."""
_LONG_HEARD_S: Final = 12.0
"""What reads high for so long is high: a room in truth louder than usual, or a resonance."""
_SAME_SPEED: Final = 0.02
"""Relative difference of speed of two visits that vouch for one another."""
_SAME_LEVEL_DB: Final = 0.5
"""Difference of level between them beyond what listening explains."""
_UNREST_SD_DB: Final = 0.5
"""How far levels are off right after a change of speed by a factor of e: most coolers not at all,
some by three times this."""
_FEWEST_TO_DOUBT: Final = 4
"""With fewer settings none can be told to be the odd one out."""


class Evidence:
    """Every setting heard in one match, and the level over speed it leads to."""

    def __init__(
        self, priors: NoisePriors, applies_to: AppliesTo, learned: Learned = NOTHING_LEARNED
    ) -> None:
        self.priors = replace(priors, earlier_sd_db=learned.offset_sd_db)
        self.applies_to = applies_to
        self.visited: list[HeardSetting] = []
        self.posterior: NoisePosterior | None = None
        self._settings: list[SettingLevel] = [
            SettingLevel(
                setting.speed, setting.pump_percent, self._as_read(setting.level), earlier=True
            )
            for setting in learned.settings
        ]
        self._first = len(self._settings)
        """Settings from here on were visited in this match."""
        self._doubted: set[int] = set()
        if self._settings:
            self.posterior = fit_noise_of_any(self._settings, self.priors)

    def _as_read(self, level: Estimate) -> Estimate:
        """What a level of the cooler alone would read in this room."""
        read = energy_sum_db([level.mean_db, self.priors.floor.mean_db])
        share = 10.0 ** ((level.mean_db - read) / 10.0)
        return Estimate(read, share * level.sd_db)

    @property
    def levels(self) -> list[Estimate]:
        """Level of the cooler alone at each setting visited, as it is believed now."""
        if self.posterior is None:
            return []
        return [
            self.posterior.cooler_at(index) for index in range(self._first, len(self._settings))
        ]

    @property
    def settings_visited(self) -> Sequence[SettingLevel]:
        """Speed, pump and reading of each setting visited."""
        return self._settings[self._first :]

    def doubts(self, index: int) -> bool:
        """Whether a visited setting is no longer believed."""
        return self._first + index in self._doubted

    def enter(
        self, axis: float, pump_percent: float, reading: Estimate, unrest: float = 0.0
    ) -> None:
        """Enter a further setting with its first estimate."""
        self._settings.append(SettingLevel(axis, pump_percent, reading, unrest))
        self.posterior = fit_noise_of_any(self._settings, self.priors)

    def correct(
        self, axis: float, pump_percent: float, reading: Estimate, unrest: float = 0.0
    ) -> None:
        """Replace the last setting's estimate by one from more listening."""
        self._settings.pop()
        self.enter(axis, pump_percent, reading, unrest)

    def keep(self, heard: HeardSetting) -> None:
        """Close the last setting, and doubt those that it shows to be odd."""
        self.visited.append(heard)
        self._doubt_outliers()

    def count_unrest(self) -> None:
        """From now on allow for levels that had not come to rest after changes of speed.

        Of most coolers they had. To wait until the others would have come to rest, too, costs every
        match a quarter of its time, so while the match goes on it is not asked for. What is stated
        at the end has to hold for them as well.
        """
        self.priors = replace(self.priors, unrest_sd_db=_UNREST_SD_DB)
        if self._settings:
            self.posterior = fit_noise_of_any(self._settings, self.priors)

    def make_last(self, index: int) -> None:
        """Move a setting to the end: it is the one that will be given."""
        heard = self.visited.pop(index)
        index += self._first
        self._doubted = {i - (i > index) for i in self._doubted if i != index}
        # It keeps its say, also where it was doubted meanwhile.
        self._settings.append(replace(self._settings.pop(index), reading=heard.reading))
        self.visited.append(heard)
        self.posterior = fit_noise_of_any(self._settings, self.priors)

    @property
    def axes(self) -> list[float]:
        """Fan speed of each setting heard with the fans running."""
        return [setting.rpm for setting in self._settings if setting.rpm > 0]

    @property
    def last_axis(self) -> float:
        """Fan speed of the last setting."""
        return self._settings[-1].rpm

    @property
    def floor(self) -> Estimate:
        """Level of the room alone, as far as is known."""
        return self.priors.floor if self.posterior is None else self.posterior.floor

    @property
    def last_reading(self) -> Estimate:
        """Level as read at the last setting."""
        return self._settings[-1].reading

    @property
    def last_level(self) -> Estimate:
        """Level of what the target applies to at the last setting."""
        if self.applies_to == "reading" or self.posterior is None:
            return self.last_reading
        return self.posterior.cooler_at(-1)

    def cooler_over_speed(self, rpm: Samples, pump_percent: float) -> LevelCurve:
        """Level of the cooler alone over fan speed."""
        posterior = self.posterior or fit_noise_of_any(self._settings, self.priors)
        mean, sd = posterior.cooler_over_speed(rpm, pump_percent)
        return LevelCurve(rpm, mean, sd)

    def goal_over_speed(self, rpm: Samples, pump_percent: float) -> LevelCurve:
        """Level of what the target applies to, over fan speed."""
        curve = self.cooler_over_speed(rpm, pump_percent)
        if self.applies_to == "cooler":
            return curve
        floor = 10.0 ** (self.floor.mean_db / 10.0)
        read: Samples = 10.0 * np.log10(10.0 ** (curve.cooler_db / 10.0) + floor)
        return replace(curve, cooler_db=read)

    def expected_reading(self, axis: float, pump_percent: float) -> Estimate | None:
        """What should be read at a setting, from everything heard; None before anything was."""
        if self.posterior is None:
            return None
        return _reading_at(self.posterior, SettingLevel(axis, pump_percent, Estimate(0.0, 1.0)))

    def _doubt_outliers(self) -> None:
        """Stop believing a setting that reads far above what all others say.

        A passing vehicle can drown a whole visit. Only readings that are too high are doubted:
        nothing that intrudes takes sound away. The last setting keeps its say.
        """
        if len(self._settings) < _FEWEST_TO_DOUBT:
            return
        for index in range(self._first, len(self._settings) - 1):
            setting = self._settings[index]
            if index in self._doubted or self._vouched_for(index):
                continue
            believed = [
                other
                for i, other in enumerate(self._settings)
                if i != index and i not in self._doubted
            ]
            expected = _reading_at(fit_noise_of_any(believed, self.priors), setting)
            spread = float(np.hypot(expected.sd_db, setting.reading.sd_db))
            if setting.reading.mean_db - expected.mean_db > _DOUBTED_SPREADS * spread:
                self._doubted.add(index)
                doubtful = Estimate(setting.reading.mean_db, _DOUBTED_SD_DB)
                self._settings[index] = replace(setting, reading=doubtful)
        self.posterior = fit_noise_of_any(self._settings, self.priors)

    def _vouched_for(self, index: int) -> bool:
        """Whether a setting was heard so long, or so often, that nothing passing explains it."""
        setting = self._settings[index]
        if self.visited[index - self._first].listened_s >= _LONG_HEARD_S:
            return True
        again = [
            other
            for i, other in enumerate(self._settings)
            if i != index
            and other.pump_percent == setting.pump_percent
            and abs(other.rpm - setting.rpm) < _SAME_SPEED * setting.rpm
        ]
        return any(
            abs(other.reading.mean_db - setting.reading.mean_db)
            < _SAME_LEVEL_DB + np.hypot(other.reading.sd_db, setting.reading.sd_db)
            for other in again
        )


def _reading_at(posterior: NoisePosterior, setting: SettingLevel) -> Estimate:
    """What should be read at a setting, floor included."""
    floor = posterior.floor
    if setting.rpm <= 0:
        return floor
    mean, sd = posterior.cooler_over_speed(np.array([setting.rpm]), setting.pump_percent)
    read = energy_sum_db([mean[0], floor.mean_db])
    share = 10.0 ** ((mean[0] - read) / 10.0)
    return Estimate(read, float(np.hypot(share * sd[0], (1.0 - share) * floor.sd_db)))
