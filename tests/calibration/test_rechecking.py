"""Rechecks of random coolers whose true change is known, and what goes wrong at a bench."""

import numpy as np
import pytest
from closed_loop.level_bench import LevelBench, random_traits, run, without

from acoustic.errors import InputError
from calibration.bench_state import Actuator, ActuatorState, BenchDescription, BenchState
from calibration.fan_noise import Estimate
from calibration.matching import match
from calibration.recheck_results import RecheckRequest, repeatability_db
from calibration.rechecking import recheck
from calibration.results import FloorReading, MatchedActuator, MatchRequest
from calibration.steps import Heard, Listen, SetDuty

PLACING_AND_DRIFT_DB = 0.216
"""As of two placings of 0.1 dB and two unknown drifts within 0.2 dB."""


@pytest.fixture(scope="module")
def matched():
    """Random coolers that were matched to 40 dB, with what is known of each."""
    found = []
    for seed in range(28):
        rng = np.random.default_rng(seed)
        traits = random_traits(rng)
        request = MatchRequest(40.0, 0.3, floor=FloorReading(traits.floor_db, 0.3))
        bench = LevelBench(traits, rng)
        result = run(match(request, bench.description()), bench)
        if result.outcome == "matched":
            found.append((seed, traits, result))
    assert len(found) > 20
    return found


def recheck_again(seed, traits, result, louder_db):
    """Check a cooler on another day, after it became louder; the floor is listened for."""
    pump_full_db = None if traits.pump_full_db is None else traits.pump_full_db + louder_db
    changed = without(
        traits, full_level_db=traits.full_level_db + louder_db, pump_full_db=pump_full_db
    )
    bench = LevelBench(changed, np.random.default_rng(1000 + seed))
    request = RecheckRequest(result.actuators, result.level, result.floor, PLACING_AND_DRIFT_DB)
    return run(recheck(request, bench.description()), bench)


@pytest.mark.parametrize(("louder_db", "outcome"), [(0.0, "holds"), (1.0, "changed")])
def test_what_did_not_change_holds_and_what_became_louder_does_not(matched, louder_db, outcome):
    """At least 95 % of random coolers are told right, and the change is what it truly is."""
    results = [recheck_again(*cooler, louder_db) for cooler in matched]

    right = [result.outcome == outcome for result in results]
    missed_db = [result.difference.mean_db - louder_db for result in results]
    covered = [abs(m) <= 1.96 * r.difference.sd_db for m, r in zip(missed_db, results, strict=True)]
    assert np.mean(right) >= 0.95
    assert np.mean(covered) >= 0.95
    assert abs(np.mean(missed_db)) < 0.15
    assert all(result.listened_s <= 60.0 for result in results)


class PlainBench:
    """A silent-room bench that answers at once: 10 rpm for each per cent, 60 dB at 1000 rpm."""

    def __init__(self, *, rpm_per_percent=10.0, tachometer=True, control="leased", valid=True):
        self.rpm_per_percent, self.tachometer = rpm_per_percent, tachometer
        self.control, self.valid = control, valid
        self.percent = 50.0
        self.duties = []
        self.rng = np.random.default_rng(3)

    def description(self):
        """Present the bench."""
        fan = Actuator("fan", 20.0, 100.0, tachometer=self.tachometer)
        return BenchDescription("plain", {"fan": fan}, {}, 60.0)

    def _state(self):
        rpm = round(self.rpm_per_percent * self.percent) if self.tachometer else None
        return BenchState(self.control, None, {"fan": ActuatorState(self.percent, rpm)}, {})

    def answer(self, step):
        """Answer a step."""
        if isinstance(step, SetDuty):
            self.percent = step.duty_percent["fan"]
            self.duties.append(self.percent)
            return self._state()
        if isinstance(step, Listen):
            count = round(step.seconds / 0.1)
            level_db = 60.0 + 55.0 * np.log10(self.percent * self.rpm_per_percent / 1000.0)
            levels = level_db + 0.05 * self.rng.standard_normal(count)
            return Heard(levels, np.full(count, self.valid), self._state())
        return None


def request(duty_percent=60.0, rpm=600.0, **more):
    """Ask for 60 % and 600 rpm, which the plain bench makes 47.8 dB."""
    given = {"fan": MatchedActuator(duty_percent, rpm)}
    floor = more.pop("floor", FloorReading(10.0, 0.3))
    level = Estimate(60.0 + 55.0 * np.log10(0.6), 0.1)
    return RecheckRequest(given, level, Estimate(10.0, 0.2), 0.2, floor=floor, **more)


def test_fans_that_became_slower_are_trimmed_to_their_speed():
    """The duty is raised until the tachometer reads what was matched, and then the level holds."""
    bench = PlainBench(rpm_per_percent=9.0)
    result = run(recheck(request(), bench.description()), bench)

    assert bench.duties[0] == 60.0
    assert result.actuators["fan"].rpm == pytest.approx(600.0, rel=0.006)
    assert result.actuators["fan"].duty_percent == pytest.approx(66.7, abs=0.5)
    assert result.outcome == "holds"
    assert result.warnings == ()


def test_fans_that_cannot_reach_their_speed_are_named():
    """At full duty the old speed is out of reach: that is said, and the level has changed."""
    bench = PlainBench(rpm_per_percent=5.0)
    result = run(recheck(request(), bench.description()), bench)

    assert bench.duties[-1] == 100.0
    assert result.outcome == "changed"
    assert "do not come to the 600 rpm" in result.warnings[0]


def test_without_a_tachometer_the_duty_is_all_there_is():
    """Nothing is trimmed, and the interval is wider for it."""
    bench = PlainBench(tachometer=False)
    blind = run(recheck(request(rpm=None), bench.description()), bench)
    seeing = run(recheck(request(), PlainBench().description()), PlainBench())

    assert set(bench.duties) == {60.0}
    assert blind.outcome == "holds"
    assert blind.difference.sd_db > seeing.difference.sd_db


def test_a_bench_that_took_over_stops_the_recheck():
    """The same rules of safety end it as end a match."""
    bench = PlainBench(control="safe")
    result = run(recheck(request(), bench.description()), bench)

    assert result.outcome == "stopped"
    assert "took over" in result.why
    assert result.difference is None


def test_sound_that_cannot_be_used_decides_nothing():
    """An input whose every block is faulty gives neither a level nor a verdict."""
    bench = PlainBench(valid=False)
    result = run(recheck(request(), bench.description()), bench)

    assert result.outcome == "unheard"
    assert result.level is None


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (request(duty_percent=10.0), "20 to 100 %"),
        (
            RecheckRequest(
                {"pump": MatchedActuator(60.0, None)}, Estimate(40, 0.1), Estimate(20, 0.2), 0.2
            ),
            "pump",
        ),
    ],
)
def test_settings_for_another_bench_are_refused(asked, said):
    """Before anything is set it is said what does not fit."""
    bench = PlainBench()

    with pytest.raises(InputError, match=said):
        next(recheck(asked, bench.description()))
    assert bench.duties == []


def test_repeatability_is_the_standard_deviation_of_the_differences():
    """By hand: 0.1, 0.3 and 0.2 scatter by 0.1; one alone says nothing."""
    assert repeatability_db([0.1, 0.3, 0.2]) == pytest.approx(0.1)
    assert repeatability_db([0.1]) is None
