"""Everything heard in one sweep, and what it makes of it."""

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from acoustic.background import without_background
from acoustic.decibels import energy_sum_db
from acoustic.signals import Samples
from calibration.fan_noise import (
    USUAL_PUMP,
    Estimate,
    NoisePosterior,
    NoisePriors,
    SettingLevel,
    fit_noise,
    fit_noise_of_any,
)
from calibration.gliding import GlideBlocks, GlideTrack
from calibration.resonances import (
    Candidate,
    FanLevels,
    SpeedLaw,
    candidates,
    describe,
    fit_law,
    inside,
)
from calibration.results import FLOOR_WANDER_DB, FloorReading
from calibration.sweep_results import GlideLevels, Resonance, SweepPoint

__all__ = ["LEAST_MARGIN_DB", "Approach", "SweepEvidence", "Visit"]

Approach = Literal["down", "up", "any"]
"""From which side a duty was reached, which the play of the fans' control makes a difference."""

LEAST_MARGIN_DB: Final = 3.0
"""A level closer to the floor is only an upper bound (ISO 3746)."""
_ONE_SIDED: Final = 1.645
"""Standard deviations of a one-sided 95 % bound."""
_LEAST_SHARE: Final = 0.5
"""Where less of the energy is the fans', their own level is too uncertain to show resonances."""
_STANDS_OUT_SPREADS: Final = 3.0
"""A level this far above the law when heard again does so for sure."""
_LEAST_HEIGHT_DB: Final = 0.7
"""What stands out by less is no resonance worth a name."""
_CONFIRMED_SHARE: Final = 0.45
"""So much of the excess has to be there again; the settled speed may miss the top a little."""
_INTRUDED_SPREADS: Final = 3.5
"""Half a second this far above the law, in no resonance, holds something else."""
_LAW_SD_DB: Final = 0.2
"""How well the law itself is known."""
_ODD_DB: Final = 1.0
"""A settled level this far above the law, where no glide saw a resonance, is heard again."""
_LEAST_DECADES: Final = 0.1
"""Over a smaller range of speeds no exponent can be told."""


@dataclass(frozen=True, slots=True)
class Visit:
    """One settled setting as it was heard."""

    percent: float
    """Duty of the fans."""
    rpm: float | None
    """Their mean speed; None without a tachometer."""
    speed: float
    """The same between the steps of the tachometer, or the duty in its place."""
    pump_percent: float
    """Duty of the pump; 0 without one."""
    reading: Estimate
    """Level as read, floor included."""
    listened_s: float
    """Sound taken, in seconds."""
    rejected_s: float
    """How much of it was left out."""
    approach: Approach
    """From which side it was reached."""


class SweepEvidence:
    """Settings and glides of one sweep.

    Parameters
    ----------
    floor : FloorReading or None
        The room floor, if it is known.
    pump_is_separate : bool
        Whether a pump runs at a speed of its own.
    """

    def __init__(self, floor: FloorReading | None, *, pump_is_separate: bool) -> None:
        self.priors = NoisePriors(
            floor=NoisePriors().floor if floor is None else floor.estimate,
            pump_at_80_percent=USUAL_PUMP if pump_is_separate else None,
        )
        self.visits: list[Visit] = []
        self.tracks: list[GlideTrack] = []
        self.resonances: list[tuple[Candidate, Resonance]] = []
        self._dismissed: list[Candidate] = []
        self._glided_again: list[tuple[int, float, float]] = []
        """Range of log speeds that the track of this number and later ones heard again."""
        self._law: SpeedLaw | None = None

    # The model

    def posterior(self) -> NoisePosterior | None:
        """What is believed of fan, pump and floor; None before anything was heard."""
        if not self.visits:
            return None
        return fit_noise_of_any(self.settings, self.priors)

    @property
    def settings(self) -> list[SettingLevel]:
        """Settled settings as the model of fan, pump and floor takes them."""
        return [self._setting(visit) for visit in self.visits]

    def _setting(self, visit: Visit) -> SettingLevel:
        """One of them: what is near the floor wanders with it."""
        quietest_db = min(one.reading.mean_db for one in self.visits)
        floor_db = min(self.priors.floor.mean_db, quietest_db)
        wander = FLOOR_WANDER_DB * 10.0 ** ((floor_db - visit.reading.mean_db) / 10.0)
        sd = float(np.hypot(visit.reading.sd_db, wander))
        return SettingLevel(visit.speed, visit.pump_percent, Estimate(visit.reading.mean_db, sd))

    @property
    def floor(self) -> Estimate:
        """Level of the room, as far as is known."""
        posterior = self.posterior()
        return self.priors.floor if posterior is None else posterior.floor

    @property
    def tells_anything(self) -> bool:
        """Whether the cooler stands clear of the floor anywhere."""
        return bool(self.visits) and not all(self._near_floor(visit) for visit in self.visits)

    def _near_floor(self, visit: Visit) -> bool:
        floor = self.floor
        return visit.reading.mean_db - floor.mean_db < LEAST_MARGIN_DB + _ONE_SIDED * floor.sd_db

    def _rest_db(self) -> float:
        """Level of all that is not the fans: the floor, and a pump of its own."""
        posterior = self.posterior()
        if posterior is None:
            return self.priors.floor.mean_db
        # At next to no speed only the pump is left of a cooler.
        pump_percent = self.visits[-1].pump_percent
        still_db = posterior.cooler_over_speed(np.array([1e-3]), pump_percent)[0][0]
        return energy_sum_db([still_db, posterior.floor.mean_db])

    def _fan_levels(self, speed: Samples, read_db: Samples, rate_per_s: Samples) -> FanLevels:
        """Take everything but the fans out of readings, and leave out what that hides."""
        share = -np.expm1((self._rest_db() - read_db) * np.log(10.0) / 10.0)
        clear = share >= _LEAST_SHARE
        level_db = read_db[clear] + 10.0 * np.log10(share[clear])
        return FanLevels(np.log(speed[clear]), level_db, share[clear], rate_per_s[clear])

    def _point_levels(self, visits: list[Visit]) -> FanLevels:
        speed = np.array([visit.speed for visit in visits], dtype=np.float64)
        read = np.array([visit.reading.mean_db for visit in visits], dtype=np.float64)
        return self._fan_levels(speed, read, np.zeros(speed.size))

    def _blocks(self) -> GlideBlocks:
        """Half seconds of all glides; where one was glided over again, of the last one."""
        kept = []
        for number, track in enumerate(self.tracks):
            blocks = track.blocks()
            log_speed = np.log(blocks.speed)
            good = np.ones(log_speed.size, dtype=np.bool_)
            for first, low, high in self._glided_again:
                good &= (number >= first) | (log_speed < low) | (log_speed > high)
            kept.append(blocks.only(good))
        return GlideBlocks.together(kept)

    def glide_again(self, track: GlideTrack, low: float, high: float) -> list[Candidate]:
        """Take a further glide in the place of earlier ones over a range of log speeds.

        Parameters
        ----------
        track : GlideTrack
            The further glide.
        low, high : float
            The range.

        Returns
        -------
        list of Candidate
            What still stands out there.
        """
        self._glided_again.append((len(self.tracks), low, high))
        self.tracks.append(track)
        # What was said of that range is said anew.
        self._dismissed = [one for one in self._dismissed if not low <= one.centre <= high]
        self.resonances = [one for one in self.resonances if not low <= one[0].centre <= high]
        return [one for one in self.candidates() if low <= one.centre <= high]

    def _glide_levels(self) -> FanLevels:
        blocks = self._blocks()
        return self._fan_levels(blocks.speed, blocks.level_db, blocks.rate_per_s)

    # Resonances

    def candidates(self) -> list[Candidate]:
        """Ranges of speed that stand out of the law, slowest first."""
        points, glide = self._point_levels(self.visits), self._glide_levels()
        if points.level_db.size < 2:
            return []
        self._law = fit_law(points, glide)
        return candidates(self._law, glide)

    def _excess_db(self, visit: Visit) -> Estimate | None:
        """How far a settled level stands over the law; None where the floor hides it."""
        levels = self._point_levels([visit])
        if self._law is None or levels.level_db.size == 0:
            return None
        excess = float((levels.level_db - self._law.level_db(levels.log_speed))[0])
        share = float(levels.share[0])
        by_floor = (1.0 - share) * float(np.hypot(self.floor.sd_db, FLOOR_WANDER_DB))
        by_reading = float(np.hypot(visit.reading.sd_db, by_floor)) / share
        return Estimate(excess, float(np.hypot(by_reading, _LAW_SD_DB)))

    def judge(self, candidate: Candidate) -> bool:
        """Believe a candidate or dismiss it, by the last visit, which heard it again."""
        excess = self._excess_db(self.visits[-1])
        enough = excess is not None and excess.mean_db > max(
            _LEAST_HEIGHT_DB,
            _STANDS_OUT_SPREADS * excess.sd_db,
            _CONFIRMED_SHARE * candidate.height_db,
        )
        if excess is None or not enough or not candidate.may_be_resonance:
            self._dismissed.append(candidate)
            return False
        # The settled speed may miss the top, the glide may have met a crest of the hunting.
        height = max(excess.mean_db, 0.5 * (excess.mean_db + candidate.height_db))
        found = describe(candidate, height, excess.sd_db)
        self.resonances.append((candidate, found))
        return True

    def odd_visits(self) -> list[Visit]:
        """Settled settings that stand over the law where no glide saw a resonance."""
        odd = []
        for visit in self.visits:
            excess = self._excess_db(visit)
            if excess is None or self._explained(np.log([visit.speed]))[0]:
                continue
            if excess.mean_db > max(_ODD_DB, _STANDS_OUT_SPREADS * excess.sd_db):
                odd.append(visit)
        return odd

    def compare(self, earlier: Visit) -> None:
        """Drop a visit that reads clearly higher than the last one, which heard it again."""
        again = self.visits[-1].reading
        spread = float(np.hypot(earlier.reading.sd_db, again.sd_db))
        if earlier.reading.mean_db - again.mean_db > max(0.5 * _ODD_DB, 2.0 * spread):
            self.visits.remove(earlier)

    def _explained(self, log_speed: Samples) -> npt.NDArray[np.bool_]:
        """Which speeds lie in a resonance."""
        inside_any = np.zeros(log_speed.size, dtype=np.bool_)
        for candidate, _ in self.resonances:
            inside_any |= inside(candidate, log_speed)
        return inside_any

    # What it comes to

    def percent_for(self, speed: float) -> float:
        """Duty that gave a speed on the way down."""
        down = [visit for visit in self.visits if visit.approach == "down"] or self.visits
        known = sorted((visit.speed, visit.percent) for visit in down)
        return float(np.interp(speed, [one[0] for one in known], [one[1] for one in known]))

    def glide(self) -> GlideLevels:
        """What was heard between the settings, at the speeds it belongs to."""
        blocks = self._blocks()
        delay_s = 0.0 if self._law is None else self._law.delay_s
        log_speed = np.log(blocks.speed) - blocks.rate_per_s * delay_s
        usable = np.ones(log_speed.size)
        usable[self._intruded(blocks, log_speed)] = 0.0
        return GlideLevels(np.exp(log_speed), blocks.level_db, usable, delay_s)

    def _intruded(self, blocks: GlideBlocks, log_speed: Samples) -> npt.NDArray[np.bool_]:
        """Which half seconds are louder than the fans are for sure."""
        law = self._law
        if law is None:
            # Where no law shows what the fans make, nothing can be told apart.
            return np.ones(log_speed.size, dtype=np.bool_)
        fans = 10.0 ** (law.level_db(log_speed) / 10.0)
        expected_db = 10.0 * np.log10(fans + 10.0 ** (self._rest_db() / 10.0))
        over = blocks.level_db - expected_db > _INTRUDED_SPREADS * law.spread_db
        # A block beside a loud one holds a part of what passed.
        wide = over.copy()
        wide[1:] |= over[:-1]
        wide[:-1] |= over[1:]
        intruded: npt.NDArray[np.bool_] = wide & ~self._explained(log_speed)
        for candidate in self._dismissed:
            intruded |= inside(candidate, log_speed) & ~self._explained(log_speed)
        return intruded

    @property
    def spread_db(self) -> float:
        """Scatter of half seconds of a glide."""
        return 0.3 if self._law is None else self._law.spread_db

    def clear_levels(self) -> list[tuple[Visit, Estimate]]:
        """Settled settings clear of the floor, with the level of the cooler alone."""
        posterior = self.posterior()
        return [
            (visit, posterior.cooler_at(index))
            for index, visit in enumerate(self.visits)
            if posterior is not None and not self._near_floor(visit)
        ]

    def points(self) -> list[SweepPoint]:
        """Settled settings, fastest first."""
        levels = {id(visit): level for visit, level in self.clear_levels()}
        found = [
            SweepPoint(
                fan_percent=visit.percent,
                rpm=visit.rpm,
                speed=visit.speed,
                pump_percent=visit.pump_percent,
                reading=visit.reading,
                level=levels.get(id(visit)) or self._bound(visit),
                upper_bound=id(visit) not in levels,
                listened_s=round(visit.listened_s, 1),
                rejected_s=round(visit.rejected_s, 1),
            )
            for visit in self.visits
        ]
        return sorted(found, key=lambda point: -point.speed)

    def _bound(self, visit: Visit) -> Estimate:
        """Most that a cooler near the floor can be."""
        floor, read = self.floor, visit.reading
        bound = without_background(
            read.mean_db + _ONE_SIDED * read.sd_db,
            floor.mean_db - _ONE_SIDED * floor.sd_db,
            least_difference_db=LEAST_MARGIN_DB,
        )
        return Estimate(float(bound.level_db), 0.0)

    def exponent_db(self) -> Estimate | None:
        """Rise of the fans' level per decade of speed, resonances left out."""
        settings = [
            self._setting(visit)
            for visit in self.visits
            if not self._near_floor(visit) and not self._explained(np.log([visit.speed]))[0]
        ]
        decades = np.log10(np.array([setting.rpm / 1000.0 for setting in settings]))
        if len(settings) < 3 or np.ptp(decades) < _LEAST_DECADES:
            return None
        prior = self.priors.exponent_db
        posterior = fit_noise(settings, replace(self.priors, floor=self.floor))
        fans = decades.size
        shared = np.zeros(posterior.unknowns_db.size)
        shared[:fans] = prior.sd_db**2 * decades
        gain = shared @ posterior.prior_inverse
        mean = prior.mean_db + gain @ (posterior.unknowns_db - posterior.prior_mean_db)
        variance = prior.sd_db**2 - gain @ shared + gain @ posterior.covariance_db2 @ gain
        return Estimate(float(mean), float(np.sqrt(np.maximum(variance, 0.0))))
