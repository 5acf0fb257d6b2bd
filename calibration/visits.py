"""Hearing a cooler: as the bench runs it, at its lowest speeds for the floor, and at a setting.

Part of the closed loop: `matching` decides where to go, this listens there until there is something
to decide.
"""

from typing import Final

import numpy as np

from acoustic.signals import Samples
from calibration.bench_hands import BenchHands, Steps
from calibration.bench_state import BenchDescription
from calibration.evidence import Evidence
from calibration.fan_moves import EXPLORING_CHANGE, FanMoves
from calibration.fan_noise import USUAL_PUMP, Estimate, NoisePriors
from calibration.goal import Goal, SoundColour
from calibration.learned import Learned
from calibration.listening import ListeningKnowledge, SettingListener
from calibration.results import (
    FLOOR_WANDER_DB,
    HeardSetting,
    MatchRequest,
)
from calibration.steps import Remark
from calibration.verdict import (
    LONGEST_HUNTING_S,
    LONGEST_LISTEN_S,
    HeardSoFar,
    Verdict,
    judge,
)

__all__ = ["SettingVisits"]

_FIRST_GLANCE_S: Final = 0.5
"""Time after which the tachometer is read once more, to see whether the fans rest."""
_AS_IT_IS_S: Final = 2.5
"""Listening to the cooler under the bench's own control, which tells the way to go."""
_FIRST_LISTEN_S: Final = 2.0
"""First stretch of listening at a setting; after it every second is judged."""
_FLOOR_LISTEN_S: Final = 6.0
"""Listening for the floor; its wander over minutes is larger than what is left."""
_FLOOR_LISTEN_AGAIN_S: Final = 15.0
"""Listening for a floor that reads suspiciously high: an intrusion has passed by then."""


class SettingVisits:
    """What a match has heard so far, and how it hears more."""

    def __init__(self, request: MatchRequest, bench: BenchDescription, learned: Learned) -> None:
        self.request = request
        self.hands = BenchHands(bench, request)
        self.moves = FanMoves(self.hands, learned)
        self.goal = Goal(request.target_db, request.loudness)
        self.floor_bands_db: Samples | None = None
        floor = NoisePriors().floor
        if request.floor is not None:
            floor = request.floor.estimate
            if request.floor.bands_db is not None:
                self.floor_bands_db = np.array(request.floor.bands_db)
        pump = USUAL_PUMP if self.hands.pump_is_separate else None
        priors = NoisePriors(floor=floor, pump_at_80_percent=pump)
        self.evidence = Evidence(priors, request.applies_to, learned)
        self.earlier = learned
        self._came_again = False
        self.known = learned.listening or ListeningKnowledge()
        self.warnings: list[str] = []

    def _close(
        self, listener: SettingListener, reading: Estimate, *, as_found: bool = False
    ) -> None:
        """Keep the evidence of the present setting."""
        self.known = listener.knowledge()
        self.hands.listened_s += listener.heard_s
        self.evidence.keep(
            HeardSetting(
                actuators=self.hands.actuators_now(listener.rpm),
                reading=reading,
                level=self.evidence.last_level,
                listened_s=listener.heard_s,
                rejected_s=listener.rejected_s,
                left_out_s=listener.left_out_s,
                beat=listener.beat,
                colour=self._colours(listener)[0],
                as_found=as_found,
            )
        )

    def _colours(self, listener: SettingListener) -> tuple[SoundColour | None, list[SoundColour]]:
        """Colour of what the target applies to, as far as it is heard."""
        floor_bands_db = self.floor_bands_db if self._floor_counts else None
        return listener.colours(floor_bands_db, self.evidence.floor.mean_db)

    def _listen_as_it_is(self) -> Steps[None]:
        """Hear the cooler as the bench runs it by itself: a first setting without a wait.

        Nothing is learned from fans that stand, whose speed nobody reads or that are on their way.
        """
        hands = self.hands
        listener = SettingListener(self.known)
        listener.add((yield from hands.take(_FIRST_GLANCE_S)), hands.fan_rpm())
        rpm, percent = hands.fan_rpm(), hands.duty_now(hands.fans)
        pump_percent = hands.duty_now(hands.pumps) if hands.pumps else 0.0
        if not rpm or percent is None or pump_percent is None or self.request.pump == "follows":
            return
        listener.add((yield from hands.take(_AS_IT_IS_S)), hands.fan_rpm())
        reading, now_rpm = listener.estimate(), hands.fan_rpm()
        if reading is None or not now_rpm or abs(now_rpm - rpm) > EXPLORING_CHANGE * rpm:
            return
        self.moves.begin_at(percent, listener.rpm or rpm)
        self.evidence.enter(self.moves.heard_axis(listener.rpm), pump_percent, reading)
        self._close(listener, reading, as_found=True)

    def _listen_for_floor(self) -> Steps[None]:
        """Turn everything down as far as it goes and hear what is left."""
        hands = self.hands
        usual_pump_percent = hands.pump_percent
        if self.request.pump == "automatic" and hands.pumps:
            hands.pump_percent = hands.pump_limits[0]
        lowest = self.moves.range.lowest_percent
        yield Remark(f"listening for the room floor with the fans at {lowest:g} % duty")
        yield from self.moves.go(lowest, EXPLORING_CHANGE)
        listener = SettingListener(self.known, hands.arrival)
        usual = self.evidence.priors.floor
        suspicious_db = usual.mean_db + 2.5 * usual.sd_db
        reading: Estimate | None = None
        while (
            reading is None
            or listener.heard_s < _FLOOR_LISTEN_S
            or (reading.mean_db > suspicious_db and listener.heard_s < _FLOOR_LISTEN_AGAIN_S)
        ):
            heard = yield from hands.take(1.0)
            listener.add(heard, hands.fan_rpm(), hands.unrest.change)
            reading = listener.estimate()
            if listener.heard_s >= LONGEST_LISTEN_S:
                break
        if reading is not None:
            yield Remark(f"the microphone reads {reading.mean_db:.1f} dB at the lowest speeds")
            reading = Estimate(reading.mean_db, float(np.hypot(reading.sd_db, FLOOR_WANDER_DB)))
            axis = self.moves.axis(listener.rpm)
            self.evidence.enter(axis, hands.pump_percent, reading, listener.unrest)
            self.floor_bands_db = listener.bands_db()
            self._close(listener, reading)
        hands.pump_percent = usual_pump_percent

    def _visit(self, percent: float, tolerated_change: float) -> Steps[Verdict | None]:
        """Go to a fan duty and listen until there is something to decide.

        Returns None when the fans stand still there.
        """
        hands = self.hands
        rpm = yield from self.moves.go(percent, tolerated_change)
        if self.moves.axis(rpm) == 0:
            return None
        expected = self.evidence.expected_reading(self.moves.axis(rpm), hands.pump_percent)
        listener = SettingListener(self.known, hands.arrival)
        reading: Estimate | None = None
        verdict: Verdict | None = None
        while verdict is None and listener.heard_s < LONGEST_HUNTING_S + 1.0:
            seconds = _FIRST_LISTEN_S if listener.heard_s == 0 else 1.0
            heard = yield from hands.take(seconds)
            listener.add(heard, hands.fan_rpm(), hands.unrest.change)
            estimate = listener.estimate()
            if estimate is None:
                continue
            put = self.evidence.enter if reading is None else self.evidence.correct
            axis = self.moves.heard_axis(listener.rpm)
            put(axis, hands.pump_percent, estimate, listener.unrest)
            reading = estimate
            whole, parts = self._colours(listener)
            if whole is not None:
                self.goal.hear(whole, parts)
            verdict = self._judge(listener, reading, expected)
        if reading is None:
            self.warnings.append(
                f"At {percent:.1f} % duty not one second in {listener.heard_s:.0f} was fit to "
                "use; make the room quieter and check the input."
            )
            return "unsteady"
        self._close(listener, reading)
        # A level that was lost again among intrusions never came to a verdict.
        return verdict or "unsteady"

    def _judge(
        self, listener: SettingListener, reading: Estimate, expected: Estimate | None
    ) -> Verdict | None:
        """Decide whether enough was heard at the present setting."""
        level = self.evidence.last_level
        heard = HeardSoFar(
            missed_by=self.goal.missed_by(level),
            reading=reading,
            expected=expected,
            heard_s=listener.heard_s,
            hunts_db=listener.hunts_db,
            rejected_s=listener.rejected_s,
            at_highest=self.moves.range.at_highest(self.moves.percent),
            at_lowest=self.moves.range.at_lowest(self.moves.percent),
            again=self._came_again,
        )
        verdict = judge(heard, self.request.tolerance_db)
        if verdict == "matched" and listener.heard_s >= LONGEST_LISTEN_S:
            self.warnings.append(
                f"The level hunts: after {listener.heard_s:.0f} s it is known to "
                f"+-{1.96 * level.sd_db:.2f} dB only."
            )
        return verdict

    @property
    def _floor_counts(self) -> bool:
        return self.request.applies_to == "cooler"
