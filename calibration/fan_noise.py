"""A cooler's level over fan speed, learned from few noisy readings.

The microphone reads the fan, the pump and the room together. In energy::

    reading(r) = fan(r) + pump + floor
    fan(r)     = a + k lg(r / 1000 rpm) + g(r)        in dB

k is near 55 dB a decade, g allows for resonances (a Gaussian process), pump and floor are levels
with a prior. All are estimated together from every setting visited so far, so that a reading near
the floor teaches the floor and one far above it teaches the fan.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.decibels import energy_sum_db
from acoustic.signals import Samples
from calibration.energy_fit import EnergySums, fit_energy_sums

__all__ = [
    "USUAL_PUMP",
    "Estimate",
    "NoisePosterior",
    "NoisePriors",
    "SettingLevel",
    "fit_noise",
    "fit_noise_of_any",
    "reading_covariance",
]

_REFERENCE_RPM: Final = 1000.0
_RESONANT_SD_DB: Final = 2.0
"""How far strong resonances carry the level off the straight law."""
_RESONANT_SHARE: Final = 0.2
"""Share of coolers with strong resonances."""
_FEWEST_TO_TELL: Final = 3
"""With fewer settings the two kinds of cooler cannot be told apart."""
_KNOWN_FLOOR_SD_DB: Final = 1.0
"""A floor known better than this was listened to."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A normally distributed quantity in decibels."""

    mean_db: float
    """Expected value in dB."""
    sd_db: float
    """Standard deviation in dB."""


USUAL_PUMP: Final = Estimate(33.0, 6.5)
"""Level of a pump at 80 % duty, before it is heard."""


@dataclass(frozen=True, slots=True)
class NoisePriors:
    """What is believed of any cooler before it is heard."""

    floor: Estimate = Estimate(26.0, 2.5)
    """Level of the room with everything stopped."""
    pump_at_80_percent: Estimate | None = None
    """Level of the pump alone at 80 % duty; None for a cooler without one."""
    pump_exponent_db: Estimate = Estimate(45.0, 12.0)
    """Rise of the pump's level per decade of duty."""
    pump_setting_sd_db: float = 1.5
    """How far a pump's tones carry one setting off that law."""
    fan_at_1000_rpm: Estimate = Estimate(35.0, 15.0)
    """Level of the fan alone at 1000 rpm: known only vaguely."""
    exponent_db: Estimate = Estimate(55.0, 6.0)
    """Rise of the fan's level per decade of speed; the fan laws give 50, A weighting adds."""
    resonance_sd_db: float = 0.5
    """How far resonances carry the level off the straight law."""
    resonance_width: float = 0.04
    """Relative width in speed of a resonance."""
    bend_sd_db: float = 0.7
    """How far the level bends off the straight law over an octave of speed."""
    bend_width: float = 0.7
    """Natural logarithm of the speed ratio over which it bends."""
    setting_sd_db: float = 0.06
    """How far two visits to the same speed differ beyond what listening shows."""
    unrest_sd_db: float = 0.0
    """How far the level is off right after a change of speed by a factor of e."""
    earlier_sd_db: float = 0.0
    """How far readings of another day are off together."""


@dataclass(frozen=True, slots=True)
class SettingLevel:
    """What one visited setting read."""

    rpm: float
    """Mean fan speed while listening; 0 when the fans stood still."""
    pump_percent: float
    """Duty of the pump in per cent; settings with the same duty share the pump's level."""
    reading: Estimate
    """Level as the microphone read it, floor included."""
    unrest: float = 0.0
    """How far the fans were from rest, as a logarithm of a ratio of speeds (`unrest.Unrest`)."""
    earlier: bool = False
    """Whether it was heard on another day: all such readings may be off together."""


def _log_speed(rpm: Samples) -> Samples:
    """Natural logarithm of the speed relative to 1000 rpm."""
    log_speed: Samples = np.log(rpm / _REFERENCE_RPM)
    return log_speed


def _fan_covariance(first: Samples, second: Samples, priors: NoisePriors) -> Samples:
    """Prior covariance of the fan's level between two sets of log speeds."""
    decades = np.outer(first, second) / np.log(10.0) ** 2
    distance = np.abs(first[:, None] - second[None, :])
    near = np.sqrt(3.0) * distance / priors.resonance_width
    resonance = priors.resonance_sd_db**2 * (1.0 + near) * np.exp(-near)
    bend = priors.bend_sd_db**2 * np.exp(-0.5 * (distance / priors.bend_width) ** 2)
    straight = priors.fan_at_1000_rpm.sd_db**2 + priors.exponent_db.sd_db**2 * decades
    covariance: Samples = straight + resonance + bend
    return covariance


def _fan_mean(log_speed: Samples, priors: NoisePriors) -> Samples:
    """Prior mean of the fan's level at log speeds."""
    decades: Samples = log_speed / np.log(10.0)
    return priors.fan_at_1000_rpm.mean_db + priors.exponent_db.mean_db * decades


@dataclass(frozen=True, slots=True, eq=False)
class NoisePosterior:
    """What is believed of a cooler after some settings were heard.

    The unknowns are the fan's level at each setting with the fan running, the level of each pump
    setting, and the floor, in this order.
    """

    priors: NoisePriors
    """What was believed before."""
    settings: tuple[SettingLevel, ...]
    """The settings that were heard."""
    unknowns_db: Samples
    """Posterior mean of the unknowns in dB, shape ``(unknowns,)``."""
    covariance_db2: Samples
    """Their posterior covariance in dB^2, shape ``(unknowns, unknowns)``."""
    prior_mean_db: Samples
    """Their prior mean in dB, same shape as `unknowns_db`."""
    prior_inverse: Samples
    """Inverse of their prior covariance."""
    log_evidence: float
    """How well these priors foretold what was heard: Laplace's approximation, up to a constant."""

    @property
    def _running(self) -> list[int]:
        return [i for i, setting in enumerate(self.settings) if setting.rpm > 0]

    @property
    def _pump_percents(self) -> list[float]:
        return _pump_percents(self.settings, self.priors)

    @property
    def floor(self) -> Estimate:
        """Level of the room alone."""
        return Estimate(float(self.unknowns_db[-1]), float(np.sqrt(self.covariance_db2[-1, -1])))

    def cooler_at(self, index: int) -> Estimate:
        """Level of the cooler alone (fan and pump) at a setting that was heard.

        Parameters
        ----------
        index : int
            Which of `settings`, counted as Python counts.

        Returns
        -------
        Estimate
            Its level; ``-inf`` for a cooler that stands still.
        """
        parts = []
        if self.settings[index].rpm > 0:
            parts.append(self._running.index(range(len(self.settings))[index]))
        if self.priors.pump_at_80_percent is not None:
            parts.append(
                len(self._running) + self._pump_percents.index(self.settings[index].pump_percent)
            )
        if not parts:
            return Estimate(-np.inf, 0.0)
        levels = self.unknowns_db[parts]
        total = energy_sum_db(levels)
        share = 10.0 ** ((levels - total) / 10.0)
        variance = share @ self.covariance_db2[np.ix_(parts, parts)] @ share
        return Estimate(total, float(np.sqrt(variance)))

    def cooler_over_speed(self, rpm: Samples, pump_percent: float) -> tuple[Samples, Samples]:
        """Expected level of the cooler alone over fan speed.

        Parameters
        ----------
        rpm : ndarray of float64, shape (speeds,)
            Fan speeds above 0.
        pump_percent : float
            Pump setting; one that was not heard yet has the prior level.

        Returns
        -------
        mean_db, sd_db : ndarray of float64, shape (speeds,)
            Level in dB and its standard deviation.
        """
        log_speed = _log_speed(rpm)
        running = self._running
        seen = _log_speed(np.array([self.settings[i].rpm for i in running], dtype=np.float64))
        cross = np.zeros((rpm.size, self.unknowns_db.size))
        cross[:, : seen.size] = _fan_covariance(log_speed, seen, self.priors)
        gain = cross @ self.prior_inverse
        fan = _fan_mean(log_speed, self.priors) + gain @ (self.unknowns_db - self.prior_mean_db)
        prior_variance = (
            self.priors.fan_at_1000_rpm.sd_db**2
            + (self.priors.exponent_db.sd_db * log_speed / np.log(10.0)) ** 2
            + self.priors.resonance_sd_db**2
            + self.priors.bend_sd_db**2
            + self.priors.setting_sd_db**2
        )
        spread = gain @ self.covariance_db2
        variance = prior_variance - (gain * cross).sum(1) + (spread * gain).sum(1)
        if self.priors.pump_at_80_percent is None:
            return fan, np.sqrt(np.maximum(variance, 0.0))
        if pump_percent in self._pump_percents:
            column = len(running) + self._pump_percents.index(pump_percent)
            pump, pump_variance = self.unknowns_db[column], self.covariance_db2[column, column]
            shared = spread[:, column]
        else:
            law = _pump_law(np.array([pump_percent]), self.priors)
            pump, pump_variance = law[0][0], law[1][0, 0]
            shared = np.zeros(rpm.size)
        fan_share = 1.0 / (1.0 + 10.0 ** ((pump - fan) / 10.0))
        total = fan - 10.0 * np.log10(fan_share)
        variance = (
            fan_share**2 * variance
            + (1.0 - fan_share) ** 2 * pump_variance
            + 2.0 * fan_share * (1.0 - fan_share) * shared
        )
        return total, np.sqrt(np.maximum(variance, 0.0))


def _pump_law(percents: Samples, priors: NoisePriors) -> tuple[Samples, Samples]:
    """Prior mean and covariance of the pump's level at some duties."""
    assert priors.pump_at_80_percent is not None  # noqa: S101 - the caller asked
    decades = np.log10(np.maximum(percents, 1.0) / 80.0)
    mean = priors.pump_at_80_percent.mean_db + priors.pump_exponent_db.mean_db * decades
    covariance = priors.pump_at_80_percent.sd_db**2 + priors.pump_exponent_db.sd_db**2 * np.outer(
        decades, decades
    )
    return mean, covariance + priors.pump_setting_sd_db**2 * np.eye(percents.size)


def _pump_percents(settings: Sequence[SettingLevel], priors: NoisePriors) -> list[float]:
    """Return the distinct pump settings, in order; none for a cooler without a pump."""
    return (
        []
        if priors.pump_at_80_percent is None
        else sorted({setting.pump_percent for setting in settings})
    )


def _prior(
    settings: Sequence[SettingLevel], priors: NoisePriors
) -> tuple[Samples, Samples, npt.NDArray[np.bool_]]:
    """Prior mean and covariance of the unknowns, and which of them each setting hears."""
    running = [i for i, setting in enumerate(settings) if setting.rpm > 0]
    keys = _pump_percents(settings, priors)
    fans, size = len(running), len(running) + len(keys) + 1
    mean = np.empty(size)
    covariance = np.zeros((size, size))
    log_speed = _log_speed(np.array([settings[i].rpm for i in running], dtype=np.float64))
    mean[:fans] = _fan_mean(log_speed, priors)
    covariance[:fans, :fans] = _fan_covariance(log_speed, log_speed, priors)
    covariance[:fans, :fans] += priors.setting_sd_db**2 * np.eye(fans)
    hears = np.zeros((len(settings), size), dtype=np.bool_)
    hears[running, np.arange(fans)] = True
    if priors.pump_at_80_percent is not None:
        mean[fans:-1], covariance[fans:-1, fans:-1] = _pump_law(np.array(keys), priors)
        for i, setting in enumerate(settings):
            hears[i, fans + keys.index(setting.pump_percent)] = True
    mean[-1] = priors.floor.mean_db
    covariance[-1, -1] = priors.floor.sd_db**2
    hears[:, -1] = True
    return mean, covariance, hears


def reading_covariance(settings: Sequence[SettingLevel], priors: NoisePriors) -> Samples:
    """Covariance of the errors of readings.

    Parameters
    ----------
    settings : sequence of SettingLevel
        The settings that were read.
    priors : NoisePriors
        What is believed beforehand.

    Returns
    -------
    ndarray of float64, shape (settings, settings)
        In dB^2: each reading's own error, and what readings of another day, and all that were taken
        before the level came to rest, share.
    """
    own = np.array([max(setting.reading.sd_db, 0.005) ** 2 for setting in settings])
    earlier = np.array([float(setting.earlier) for setting in settings])
    unrest = np.array([setting.unrest for setting in settings])
    covariance: Samples = (
        np.diag(own)
        + priors.earlier_sd_db**2 * np.outer(earlier, earlier)
        + priors.unrest_sd_db**2 * np.outer(unrest, unrest)
    )
    return covariance


def fit_noise(settings: Sequence[SettingLevel], priors: NoisePriors) -> NoisePosterior:
    """Estimate fan, pump and floor from the settings heard so far.

    Parameters
    ----------
    settings : sequence of SettingLevel
        Settings in the order they were heard, at least one.
    priors : NoisePriors
        What is believed beforehand.

    Returns
    -------
    NoisePosterior
        The posterior.
    """
    mean, covariance, hears = _prior(settings, priors)
    readings = np.array([setting.reading.mean_db for setting in settings])
    noise = reading_covariance(settings, priors)
    # A floor that is known is not what a reading above it turns out to be.
    floor = [mean.size - 1] if priors.floor.sd_db > _KNOWN_FLOOR_SD_DB else []
    fit = fit_energy_sums(EnergySums(readings, noise, hears, mean, covariance), floor)
    return NoisePosterior(
        priors=priors,
        settings=tuple(settings),
        unknowns_db=fit.unknowns_db,
        covariance_db2=fit.covariance_db2,
        prior_mean_db=mean,
        prior_inverse=fit.prior_inverse,
        log_evidence=fit.log_evidence,
    )


def fit_noise_of_any(settings: Sequence[SettingLevel], priors: NoisePriors) -> NoisePosterior:
    """Estimate fan, pump and floor of a cooler that may have strong resonances.

    Most coolers follow the fan law within half a decibel, and for them few settings say much. Some
    have resonances of several decibels, for which that belief would be false confidence. What was
    heard decides which it is.

    Parameters
    ----------
    settings : sequence of SettingLevel
        Settings in the order they were heard, at least one.
    priors : NoisePriors
        What is believed beforehand of a usual cooler.

    Returns
    -------
    NoisePosterior
        The more probable of the two.
    """
    usual = fit_noise(settings, priors)
    if sum(setting.rpm > 0 for setting in settings) < _FEWEST_TO_TELL:
        return usual
    resonant = fit_noise(settings, replace(priors, resonance_sd_db=_RESONANT_SD_DB))
    rarer = resonant.log_evidence + np.log(_RESONANT_SHARE / (1.0 - _RESONANT_SHARE))
    return resonant if rarer > usual.log_evidence else usual
