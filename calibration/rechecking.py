"""Setting a matched cooler again and hearing whether its level still holds.

`recheck` is a generator of steps like `matching.match`, with the same hands and the same safety:
the duties are set, trimmed to the speeds that were matched, and listened to.
"""

from typing import Final

import numpy as np

from acoustic.errors import InputError
from calibration.bench_hands import BenchHands, RunStopped, Steps
from calibration.bench_state import BenchDescription
from calibration.evidence import Evidence
from calibration.fan_moves import EXPLORING_CHANGE, FanMoves
from calibration.fan_noise import USUAL_PUMP, Estimate, NoisePriors
from calibration.listening import ListeningKnowledge, SettingListener
from calibration.recheck_results import RecheckOutcome, RecheckRequest, RecheckResult
from calibration.results import FLOOR_WANDER_DB, MatchRequest
from calibration.settling import SETTLED_CHANGE
from calibration.steps import Remark

__all__ = ["recheck"]

_K95: Final = 1.96
_SAME_SPEED: Final = 0.005
"""Relative difference of speed that is trimmed away: an eighth of a decibel."""
_COARSEST: Final = 0.01
"""Relative half step of a coarse tachometer."""
_MOST_TRIMS: Final = 4
"""Fans that do not come to their speed by then do not come to it at all."""
_TRIM_LISTEN_S: Final = 2.0
"""How long the tachometer is averaged before a trim."""
_FEWEST_S: Final = 6.0
"""Shortest listening."""
_LONGEST_S: Final = 30.0
"""Longest listening."""
_FLOOR_LISTEN_S: Final = 6.0
"""Listening for the floor."""
_FLOOR_SINCE_DB: Final = 2.0
"""How far a room's floor differs from one day to another, as a standard deviation."""
_COMING_BACK_DB: Final = 0.07
"""Standard uncertainty of the level from a speed within `_SAME_SPEED` of the wanted one."""
_UNSEEN_SPEED_DB: Final = 0.2
"""The same where no tachometer tells: a duty approached from another side."""
_ROUGH_DB: Final = 1.0
"""Half-width of a difference above which a holding level says little."""


def _duty_of(request: RecheckRequest, bench: BenchDescription, role: str) -> float | None:
    """The one duty of all fans or all pumps that were matched; None where there are none."""
    duties = {
        actuator.duty_percent
        for name, actuator in request.actuators.items()
        if bench.actuators[name].role == role
    }
    if len(duties) > 1:
        raise InputError(
            f"The settings give the {role}s of bench {bench.bench} different duties, but they are "
            "moved together here; match this cooler again."
        )
    return duties.pop() if duties else None


class _Recheck:
    """One recheck in progress."""

    def __init__(self, request: RecheckRequest, bench: BenchDescription) -> None:
        self.request = request
        if set(request.actuators) != set(bench.actuators):
            raise InputError(
                f"The settings are for {', '.join(sorted(request.actuators))}, but bench "
                f"{bench.bench} has {', '.join(sorted(bench.actuators))}; plug in what was matched."
            )
        fan_percent = _duty_of(request, bench, "fan")
        pump_percent = _duty_of(request, bench, "pump")
        as_matched = MatchRequest(
            target_db=request.level.mean_db,
            tolerance_db=0.3,
            applies_to=request.applies_to,
            floor=request.floor,
            pump="automatic" if pump_percent is None else "fixed",
            pump_duty_percent=pump_percent,
        )
        self.hands = BenchHands(bench, as_matched)
        low, high = self.hands.lowest_percent, self.hands.highest_percent
        if fan_percent is None or not low <= fan_percent <= high:
            raise InputError(
                f"The fans on bench {bench.bench} take {low:g} to {high:g} %, not what the "
                f"settings say ({fan_percent} %); match this cooler again."
            )
        self.fan_percent = fan_percent
        self.moves = FanMoves(self.hands)
        floor = Estimate(
            request.floor_then.mean_db, float(np.hypot(request.floor_then.sd_db, _FLOOR_SINCE_DB))
        )
        if request.floor is not None:
            floor = request.floor.estimate
        pump = USUAL_PUMP if self.hands.pump_is_separate else None
        priors = NoisePriors(floor=floor, pump_at_80_percent=pump)
        self.evidence = Evidence(priors, request.applies_to)
        self.heard = False
        self.warnings: list[str] = []

    def run(self) -> Steps[RecheckResult]:
        """Run the whole recheck."""
        try:
            if self.request.floor is None and self.request.applies_to == "cooler":
                yield from self._listen_for_floor()
            yield from self._set_again()
            yield from self._listen()
        except RunStopped as stop:
            return self._result("stopped", str(stop), None)
        return self._judge()

    @property
    def _wanted_rpm(self) -> float | None:
        """Mean speed of the fans that was matched; None where it was not known."""
        speeds = [self.request.actuators[name].rpm for name in self.hands.fans]
        known = [rpm for rpm in speeds if rpm]
        return float(np.mean(known)) if known else None

    def _listen_for_floor(self) -> Steps[None]:
        """Turn everything down as far as it goes and hear what is left."""
        hands = self.hands
        pump_percent = hands.pump_percent
        if hands.pumps:
            hands.pump_percent = hands.pump_limits[0]
        yield Remark(f"listening for the room floor at {hands.lowest_percent:g} % duty")
        yield from self.moves.go(hands.lowest_percent, EXPLORING_CHANGE)
        listener = SettingListener(ListeningKnowledge(), hands.arrival)
        while (reading := listener.estimate() if listener.heard_s else None) is None or (
            listener.heard_s < _FLOOR_LISTEN_S
        ):
            if listener.heard_s >= _LONGEST_S:
                break
            listener.add((yield from hands.take(1.0)), hands.fan_rpm())
        hands.listened_s += listener.heard_s
        if reading is not None:
            wandering = Estimate(reading.mean_db, float(np.hypot(reading.sd_db, FLOOR_WANDER_DB)))
            self.evidence.enter(self.moves.axis(listener.rpm), hands.pump_percent, wandering)
        hands.pump_percent = pump_percent

    def _set_again(self) -> Steps[None]:
        """Set what was matched, and trim the fans to the speed that was matched."""
        yield Remark(f"setting {self.fan_percent:g} % duty again")
        if self.hands.fan_rpm() != 0:
            yield from self.moves.go(self.fan_percent, SETTLED_CHANGE)
        if self.hands.fan_rpm() == 0:
            yield from self.moves.come_back(self.fan_percent, from_below=False)
        wanted_rpm = self._wanted_rpm
        if wanted_rpm is None or self.hands.fan_rpm() is None:
            return
        for trims_left in reversed(range(_MOST_TRIMS + 1)):
            rpm = yield from self._mean_rpm()
            if abs(rpm - wanted_rpm) <= self._speed_tolerance_rpm(wanted_rpm):
                return
            percent = self.moves.duty_towards(wanted_rpm, upwards=rpm < wanted_rpm)
            if not trims_left or percent == self.moves.percent:
                break
            yield Remark(f"at {rpm:.0f} rpm, not {wanted_rpm:.0f}: going to {percent:.1f} % duty")
            yield from self.moves.go(percent, SETTLED_CHANGE)
        self.warnings.append(
            f"The fans turn at {rpm:.0f} rpm and do not come to the {wanted_rpm:.0f} rpm that were "
            "matched; look for dust, wear and cables."
        )

    def _speed_tolerance_rpm(self, wanted_rpm: float) -> float:
        """How near is near enough: no nearer than the tachometer tells, as far as that showed."""
        step_rpm = min(self.hands.tachometer_step_rpm, 2.0 * _COARSEST * wanted_rpm)
        return max(_SAME_SPEED * wanted_rpm, 0.5 * step_rpm)

    def _mean_rpm(self) -> Steps[float]:
        """Mean speed of the fans over a moment."""
        speeds = []
        for _ in range(round(2.0 * _TRIM_LISTEN_S)):
            yield from self.hands.take(0.5)
            speeds.append(self.hands.fan_rpm() or 0.0)
        mean_rpm = float(np.mean(speeds))
        self.moves.heard_axis(mean_rpm)
        return mean_rpm

    def _listen(self) -> Steps[None]:
        """Listen until the level is known as well as it was then."""
        listener = SettingListener(ListeningKnowledge(), self.hands.arrival)
        while listener.heard_s < _FEWEST_S or not self._known_well():
            if listener.heard_s >= _LONGEST_S:
                break
            listener.add((yield from self.hands.take(1.0)), self.hands.fan_rpm())
            reading = listener.estimate()
            if reading is None:
                continue
            put = self.evidence.correct if self.heard else self.evidence.enter
            put(self.moves.axis(listener.rpm), self.hands.pump_percent, reading)
            self.heard = True
        self.hands.listened_s += listener.heard_s
        self.actuators = self.hands.actuators_now(listener.rpm)

    def _known_well(self) -> bool:
        return self.heard and self.evidence.last_level.sd_db <= self.request.level.sd_db

    def _judge(self) -> RecheckResult:
        """Compare the level with what it was."""
        if not self.heard:
            why = (
                f"Not one second in {_LONGEST_S:.0f} was fit to use; make the room quieter and "
                "check the input."
            )
            return self._result("unheard", why, None)
        now, then = self.evidence.last_level, self.request.level
        speed_u_db = _UNSEEN_SPEED_DB if self._wanted_rpm is None else _COMING_BACK_DB
        spreads = [now.sd_db, then.sd_db, self.request.between_u_db, speed_u_db]
        difference = Estimate(now.mean_db - then.mean_db, float(np.linalg.norm(spreads)))
        half_width_db = _K95 * difference.sd_db
        holds = abs(difference.mean_db) <= half_width_db
        if half_width_db > _ROUGH_DB:
            self.warnings.append(
                f"The difference is known to +-{half_width_db:.1f} dB only, so a smaller change "
                "does not show."
            )
        word = "is within" if holds else "is more than"
        why = (
            f"The level differs by {difference.mean_db:+.2f} dB from what it was, which {word} "
            f"the +-{half_width_db:.2f} dB that both are known to."
        )
        return self._result("holds" if holds else "changed", why, difference)

    def _result(
        self, outcome: RecheckOutcome, why: str, difference: Estimate | None
    ) -> RecheckResult:
        """Put the result together."""
        heard = difference is not None
        return RecheckResult(
            outcome=outcome,
            why=why,
            level=self.evidence.last_level if heard else None,
            as_read=self.evidence.last_reading if heard else None,
            difference=difference,
            floor=self.evidence.floor,
            actuators=self.actuators if heard else {},
            listened_s=round(self.hands.listened_s, 1),
            bench_s=round(self.hands.bench_s, 1),
            warnings=tuple(self.warnings),
        )


def recheck(request: RecheckRequest, bench: BenchDescription) -> Steps[RecheckResult]:
    """Set a matched cooler again and hear whether its level still holds.

    Parameters
    ----------
    request : RecheckRequest
        What was matched.
    bench : BenchDescription
        What can be set, and its limits.

    Returns
    -------
    generator of Step, returning RecheckResult
        Send each step's answer; the value of its end is the result.

    Raises
    ------
    InputError
        At the first step, if the settings do not fit the bench.
    """
    return (yield from _Recheck(request, bench).run())
