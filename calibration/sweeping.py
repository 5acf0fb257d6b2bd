"""The sweep: a cooler's level over its whole range of speeds.

`sweep` is a generator of steps like `matching.match`, without clock, sound or connection. It
starts at full speed and goes down: a handful of settled settings, each heard just long enough, and
between them slow glides (`gliding`). What stands out of the law over speed (`resonances`) is heard
again before it is believed. At the end it finds out where the fans stop and start (`standstill`).
"""

from typing import Final

import numpy as np

from calibration.bench_hands import BenchHands, RunStopped, Steps
from calibration.bench_state import BenchDescription
from calibration.fan_moves import EXPLORING_CHANGE, STANDING_AT_FULL_DUTY, FanMoves
from calibration.fan_noise import Estimate
from calibration.gliding import GlideTrack, add_arrival, glide_down
from calibration.listening import ListeningKnowledge, SettingListener
from calibration.resonances import Candidate, flanks
from calibration.settling import SETTLED_CHANGE
from calibration.standstill import restart_percent
from calibration.steps import Remark
from calibration.sweep_evidence import Approach, SweepEvidence, Visit
from calibration.sweep_results import SweepOutcome, SweepRequest, SweepResult
from calibration.sweep_summary import summarise

__all__ = ["sweep"]

_STEP_RATIO: Final = 0.78
"""Speed of each setting over that of the one before: some six of them over a usual range."""
_LAST_STEP_RATIO: Final = 0.9
"""A setting nearer to the lowest than this is left out for it."""
_FIRST_LISTEN_S: Final = 3.0
"""First stretch of listening at a setting; after it every second is judged."""
_LONGEST_LISTEN_S: Final = 6.0
"""Listening at a setting; beyond it hunting averages out too slowly for a profile."""
_CROWDED_LISTEN_S: Final = 15.0
"""Listening where much was left out: an intrusion has passed by then."""
_CROWDED_SHARE: Final = 0.4
"""With more than this left out, the rest may be the weaker part of the same intrusion."""
_SURE_SD_DB: Final = 0.15
"""What is known so well is known well enough for a profile."""
_SURELY_TURNING_PERCENT: Final = 40.0
"""Fans that take a duty at all turn at this one: their lowest is 30 % at most."""
_UNSEEN_LOWEST_PERCENT: Final = 20.0
"""Where no tachometer tells whether fans turn, no lower duty is tried."""
_VAGUE_FLOOR_SD_DB: Final = 1.0
"""A floor known no better than this makes low levels uncertain."""
_MOST_SETTINGS: Final = 14
"""A sweep down that is not at the bottom by then is led astray by a tachometer."""
_MOST_GLIDES_AGAIN: Final = 2
"""So often a range is glided over again, where the room does not leave it alone."""
_NEAR_ENOUGH: Final = 0.012
"""Relative distance from the top of a resonance at which most of it is heard."""
_MOST_CORRECTIONS: Final = 3
"""Steps to come to a speed."""
_BELOW_PERCENT: Final = 6.0
"""A step up that takes up any play."""
_RUN_UP: Final = 0.02
"""Relative range of speed beside one that is heard again, for the glide to come into pace."""
_MOST_AGAIN: Final = 8
"""So many ranges of speed are heard again at most, the loudest first."""


class _Sweep:
    """One sweep in progress."""

    def __init__(self, request: SweepRequest, bench: BenchDescription) -> None:
        self.request = request
        self.hands = BenchHands(bench, request.at_the_bench())
        self.moves = FanMoves(self.hands)
        self.evidence = SweepEvidence(request.floor, pump_is_separate=self.hands.pump_is_separate)
        self.known = ListeningKnowledge()
        self.restart: float | None = None
        self.warnings: list[str] = []

    def run(self) -> Steps[SweepResult]:
        """Run the whole sweep."""
        try:
            yield from self._procedure()
        except RunStopped as stop:
            return self._finish("stopped", str(stop))
        floor = self.evidence.floor
        if not self.evidence.tells_anything:
            return self._finish(
                "floor-too-high",
                f"The room reads {floor.mean_db:.1f} dB(A), so close to the cooler even at full "
                "speed that its own level cannot be told; make the room quieter.",
            )
        if floor.sd_db > _VAGUE_FLOOR_SD_DB:
            self.warnings.append(
                "The room could not be heard apart from the cooler, so low levels are uncertain; "
                "measure the floor beforehand and give it."
            )
        return self._finish("complete", "The cooler was heard over its whole range of speeds.")

    def _procedure(self) -> Steps[None]:
        """Hear the floor, go down from full speed, hear again what stands out, stop and start."""
        if self.request.floor is None:
            yield from self._hear_floor()
        yield Remark("listening at full speed")
        heard = yield from self._visit(self.moves.range.highest_percent, approach="down")
        if not heard:
            raise RunStopped(STANDING_AT_FULL_DUTY)
        for _ in range(_MOST_SETTINGS):
            if self.moves.percent <= self._lowest_percent + 0.05:
                break
            yield from self._step_down()
        yield from self._hear_again()
        yield from self._show_play()
        if self.hands.fan_rpm() is not None:
            self.restart = yield from restart_percent(self.moves)

    # Going down

    @property
    def _lowest_percent(self) -> float:
        """Lowest duty that is worth going to, as far as is known."""
        known = self.moves.range
        if self.hands.fan_rpm() is None:
            return max(known.lowest_percent, min(_UNSEEN_LOWEST_PERCENT, known.highest_percent))
        if known.running_percent is not None and not known.undecided():
            return known.running_percent
        return known.lowest_percent

    def _hear_floor(self) -> Steps[None]:
        """Hear the room at the lowest speed that the fans hold; standing ones start at once."""
        moves = self.moves
        yield from moves.go(moves.range.clip(_SURELY_TURNING_PERCENT), EXPLORING_CHANGE)
        lowest = self._lowest_percent
        yield Remark(f"listening for the room floor with the fans at {lowest:g} % duty")
        yield from self._visit_turning(lowest)

    def _visit_turning(self, percent: float) -> Steps[None]:
        """Visit a duty, or the lowest one that keeps the fans turning."""
        heard = yield from self._visit(percent)
        if not heard:
            percent = yield from self.moves.clear_of_standing(percent)
            yield from self._visit(percent)

    def _next_percent(self) -> float:
        """Duty of the next setting on the way down."""
        moves, lowest = self.moves, self._lowest_percent
        wanted = _STEP_RATIO * moves.axis(self.hands.fan_rpm())
        if _LAST_STEP_RATIO * wanted < moves.speeds.rpm_at(lowest):
            return lowest
        percent = moves.range.clip(min(moves.speeds.duty_for(wanted), moves.percent - 1.0))
        return max(percent, lowest)

    def _step_down(self) -> Steps[None]:
        """Glide to the next setting and hear it."""
        moves = self.moves
        goal = self._next_percent()
        yield Remark(f"gliding from {moves.percent:.1f} to {goal:.1f} % duty")
        track = yield from glide_down(moves, goal)
        self.evidence.tracks.append(track)
        if self.hands.fan_rpm() == 0:
            percent = yield from moves.clear_of_standing(goal)
            yield from self._visit(percent)
            return
        heard = yield from self._visit(goal, track, "down")
        if not heard:
            percent = yield from moves.clear_of_standing(goal)
            yield from self._visit(percent)

    def _visit(
        self, percent: float, track: GlideTrack | None = None, approach: Approach = "any"
    ) -> Steps[bool]:
        """Go to a duty and hear it, at the end of a glide or not; tell whether the fans turn."""
        moves, hands = self.moves, self.hands
        rpm = yield from moves.go(percent, SETTLED_CHANGE)
        if track is not None:
            add_arrival(track, moves)
        if moves.axis(rpm) == 0:
            return False
        listener = SettingListener(self.known, hands.arrival)
        reading: Estimate | None = None
        while not _heard_enough(listener, reading):
            seconds = _FIRST_LISTEN_S if listener.heard_s == 0 else 1.0
            listener.add((yield from hands.take(seconds)), hands.fan_rpm())
            reading = listener.estimate()
        hands.listened_s += listener.heard_s
        if reading is None:
            self.warnings.append(
                f"At {percent:.1f} % duty nothing in {listener.heard_s:.0f} s was fit to use; make "
                "the room quieter and check the input."
            )
            return True
        self.known = listener.knowledge()
        speed = moves.heard_axis(listener.rpm)
        if speed <= 0.0:
            # They came to a stop while they were listened to.
            return False
        visit = Visit(
            percent=percent,
            rpm=listener.rpm,
            speed=speed,
            pump_percent=hands.pump_percent,
            reading=reading,
            listened_s=listener.heard_s,
            rejected_s=listener.rejected_s,
            approach=approach,
        )
        self.evidence.visits.append(visit)
        here = f"{percent:.1f} % duty" if visit.rpm is None else f"{visit.rpm:.0f} rpm"
        yield Remark(f"at {here} the microphone reads {reading.mean_db:.1f} dB")
        return True

    # Hearing again

    def _hear_again(self) -> Steps[None]:
        """Go back to whatever stands out of the law, and keep only what is still there."""
        loudest = sorted(self.evidence.candidates(), key=lambda one: -one.height_db)
        # From the fastest down, so that each is reached through the play as before.
        for low, high in _ranges(loudest[:_MOST_AGAIN]):
            yield from self._glide_again(low, high)
        for visit in self.evidence.odd_visits():
            yield Remark(f"hearing {visit.percent:.1f} % duty again, which reads high")
            before = len(self.evidence.visits)
            yield from self._visit(visit.percent)
            if len(self.evidence.visits) > before:
                self.evidence.compare(visit)

    def _glide_again(self, low: float, high: float) -> Steps[None]:
        """Glide over a range of speeds once more, and settle in the middle of what is still there.

        Whatever passed the first time has passed, and may have hidden something.
        """
        moves = self.moves
        unit = "%" if self.hands.fan_rpm() is None else "rpm"
        yield Remark(
            f"hearing {np.exp(low):.0f} to {np.exp(high):.0f} {unit} again, which stand out"
        )
        for _ in range(_MOST_GLIDES_AGAIN):
            yield from moves.go(self._percent_for(high + _RUN_UP), EXPLORING_CHANGE)
            bottom = self._percent_for(low - _RUN_UP)
            if bottom >= moves.percent:
                return
            track = yield from glide_down(moves, bottom)
            sure = True
            for candidate in self.evidence.glide_again(track, low, high):
                if candidate.may_be_resonance:
                    yield from self._settle_at(candidate.centre)
                    before = len(self.evidence.visits)
                    yield from self._visit(moves.percent)
                    if len(self.evidence.visits) == before:
                        continue
                sure = self.evidence.judge(candidate) and sure
            if sure:
                return

    def _settle_at(self, log_speed: float) -> Steps[None]:
        """Bring the fans to a speed, whatever duty it takes."""
        moves = self.moves
        percent = self._percent_for(log_speed)
        for _ in range(_MOST_CORRECTIONS):
            yield from moves.go(percent, EXPLORING_CHANGE)
            speed = moves.axis(self.hands.fan_rpm())
            if speed <= 0 or abs(np.log(speed) - log_speed) < _NEAR_ENOUGH:
                return
            wanted = moves.speeds.duty_for(float(np.exp(log_speed)))
            percent = moves.range.clip(max(wanted, self._lowest_percent))

    def _percent_for(self, log_speed: float) -> float:
        """Duty that gave a speed on the way down, within what the fans hold."""
        percent = self.evidence.percent_for(float(np.exp(log_speed)))
        return self.moves.range.clip(max(percent, self._lowest_percent))

    def _show_play(self) -> Steps[None]:
        """Hear a middle setting once more from below: what differs is the play of the control."""
        down = [visit for visit in self.evidence.visits if visit.approach == "down"]
        clear = [visit for visit in down if visit.percent > self._lowest_percent + _BELOW_PERCENT]
        if self.hands.fan_rpm() is None or not clear:
            return
        middle = clear[len(clear) // 2]
        yield Remark(f"coming back to {middle.percent:.1f} % duty from below")
        yield from self.moves.go(
            self.moves.range.clip(middle.percent - _BELOW_PERCENT), EXPLORING_CHANGE
        )
        yield from self._visit(middle.percent, approach="up")

    def _finish(self, outcome: SweepOutcome, why: str) -> SweepResult:
        """Put the result together."""
        return summarise(
            self.evidence,
            self.moves,
            outcome,
            why,
            restart_percent=self.restart,
            warnings=self.warnings,
        )


def _ranges(found: list[Candidate]) -> list[tuple[float, float]]:
    """Ranges of log speed that candidates lift, fastest first, those that touch taken together."""
    ranges: list[tuple[float, float]] = []
    for low, high in sorted((flanks(one) for one in found), key=lambda one: -one[1]):
        if ranges and high >= ranges[-1][0] - _RUN_UP:
            ranges[-1] = (min(low, ranges[-1][0]), ranges[-1][1])
        else:
            ranges.append((low, high))
    return ranges


def _heard_enough(listener: SettingListener, reading: Estimate | None) -> bool:
    """Tell whether one setting was heard for long enough."""
    if listener.heard_s < _FIRST_LISTEN_S:
        return False
    if reading is None or listener.rejected_s > _CROWDED_SHARE * listener.heard_s:
        return listener.heard_s >= _CROWDED_LISTEN_S
    return reading.sd_db <= _SURE_SD_DB or listener.heard_s >= _LONGEST_LISTEN_S


def sweep(request: SweepRequest, bench: BenchDescription) -> Steps[SweepResult]:
    """Learn a cooler's level over its whole range of speeds.

    Parameters
    ----------
    request : SweepRequest
        The floor, and what to do with a pump.
    bench : BenchDescription
        What can be set, and its limits.

    Returns
    -------
    generator of Step, returning SweepResult
        Send each step's answer; the value of its end is the result. The same answers give the
        same steps and the same result.

    Raises
    ------
    InputError
        At the first step, if the bench has no fan or the pump duty is outside its limits.
    """
    return (yield from _Sweep(request, bench).run())
