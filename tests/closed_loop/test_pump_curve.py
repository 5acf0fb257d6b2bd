"""The pairs of fan and pump speed at equal level, on liquid coolers whose true levels are known."""

from dataclasses import replace

import numpy as np
import pytest
from closed_loop.curves import Curve, curve_table, curve_trial, reachable_at, run_noting_levels
from closed_loop.level_bench import LevelBench, random_traits, run, without
from closed_loop.strategies import Task

from acoustic.errors import InputError
from calibration.bench_hands import RunStopped
from calibration.learned import NOTHING_LEARNED
from calibration.match_budget import match_budget
from calibration.pump_curve import curve_duties, match_curve
from calibration.results import FloorReading, MatchRequest
from calibration.steps import Listen, SetDuty

DUTIES = (30.0, 47.5, 65.0, 82.5, 100.0)
AT_40_DB = MatchRequest(target_db=40.0, tolerance_db=0.3)


def liquid_bench(number=1, **changes):
    """A liquid cooler that holds still once it is settled."""
    rng = np.random.default_rng([91, number])
    traits = random_traits(rng, pump=True)
    quiet = {"drift_db": 0.0, "weak_intrusions": False, "full_level_db": 48.0, "full_rpm": 1800.0}
    quiet |= {"hunting_sd_db": 0.15, "pump_full_db": 36.0, "floor_db": 25.0}
    return LevelBench(without(traits, **(quiet | changes)), rng)


def matched_curve(bench, request=AT_40_DB, duties=DUTIES, learned=NOTHING_LEARNED):
    """Match a bench at some pump duties; the result and the true level left at each."""
    true_db = {}
    loop = match_curve(request, bench.description(), duties, learned)
    return run_noting_levels(loop, bench, true_db), true_db


@pytest.fixture(scope="module")
def population():
    """Match liquid coolers as curves and as separate matches."""
    return [curve_trial(number, 92, Task(40.0, 0.3)) for number in range(9)]


def test_pairs_truly_make_the_target(population):
    """Nearly all pairs called matched are within the tolerance, and no reachable one is refused."""
    pairs = [pair for one in population for pair in one["curve"].pairs]
    off_db = np.array([abs(pair.true_db - 40.0) for pair in pairs if pair.outcome == "matched"])

    assert off_db.size > 25
    assert np.mean(off_db <= 0.35) >= 0.95
    assert all(pair.outcome == "matched" for pair in pairs if pair.reachable)


def test_a_curve_is_quicker_than_separate_matches(population):
    """All pairs together take less than two thirds of what separate matches take."""

    def cost(curves: list[Curve]) -> tuple[float, float]:
        """Settings and seconds of those that can be had at every duty."""
        settings = [sum(pair.settings for pair in curve.pairs) for curve in curves]
        return float(np.mean(settings)), float(np.mean([curve.bench_s for curve in curves]))

    whole = [one for one in population if one["curve"].reachable]
    together = cost([one["curve"] for one in whole])
    apart = cost([one["separate"] for one in whole])

    assert together[0] < 0.67 * apart[0]
    assert together[1] < 0.67 * apart[1]


def test_the_table_prints_both_ways(population):
    """The benchmark's table counts every cooler and names both ways."""
    lines = list(curve_table(population, Task(40.0, 0.3)))

    assert lines[0].startswith("9 liquid coolers")
    assert "curve" in lines[2]
    assert "separate" in lines[2]


def test_every_pair_has_its_own_level_and_interval():
    """Each pair states its level within its own interval of the plant's, and the pump duty held."""
    bench = liquid_bench()

    curve, true_db = matched_curve(bench)

    assert [point.pump_percent for point in curve.points] == list(DUTIES)
    for point in curve.points:
        level = point.result.level
        assert point.result.outcome == "matched"
        assert point.result.actuators["pump"].duty_percent == point.pump_percent
        assert abs(level.mean_db - true_db[point.pump_percent]) < 2.6 * level.sd_db + 0.05
        assert match_budget(point.request, point.result).U95_db == pytest.approx(
            1.96 * level.sd_db, rel=1e-3
        )
    fans = [point.result.actuators["fan"].rpm for point in curve.points]
    assert fans[0] > fans[-1]


def test_the_speeds_interval_follows_from_the_fan_law():
    """A level's interval is one of speed by the plant's own rise of level with speed."""
    bench = liquid_bench(exponent_db=55.0, bumps=(), pump_full_db=27.0)
    point = matched_curve(bench)[0].points[0]
    rpm = point.result.actuators["fan"].rpm

    per_rpm = 55.0 / np.log(10.0) / rpm
    assert point.speed_U95(rpm) == pytest.approx(1.96 * point.result.level.sd_db / per_rpm, rel=0.3)


def test_a_pump_too_loud_by_itself_is_named_and_the_others_go_on():
    """Where the pump alone is above the target the pair says so, and quieter pumps are matched."""
    bench = liquid_bench(pump_full_db=44.0, pump_exponent_db=40.0, min_duty_percent=20.0)
    assert bench.pump_level_db(100.0) > 43.0
    assert reachable_at(bench, 65.0, 40.0)

    curve, _ = matched_curve(bench)

    outcomes = {point.pump_percent: point.result.outcome for point in curve.points}
    assert outcomes[100.0] == "louder-at-minimum"
    assert "At 100 % the pump alone makes 4" in curve.points[-1].result.why
    assert outcomes[30.0] == outcomes[47.5] == outcomes[65.0] == "matched"
    assert curve.given.result.outcome == "matched"


def test_the_floor_is_heard_once():
    """Fans go down to hear the room for the first pair only."""
    curve, _ = matched_curve(liquid_bench(min_duty_percent=20.0, stall_percent=10.0))

    lowest = [
        sum(heard.actuators["fan"].duty_percent == 20.0 for heard in point.result.visited)
        for point in curve.points
    ]
    assert lowest == [1, 0, 0, 0, 0]


def test_the_pair_nearest_to_the_usual_pump_duty_is_given():
    """The cooler's own settings are those at 82.5 %, the nearest to 80 %."""
    curve, _ = matched_curve(liquid_bench())

    assert curve.given.pump_percent == 82.5


def test_what_was_learned_serves_another_curve():
    """A second curve on the same cooler starts near, and holds no setting nobody listened to."""
    bench = liquid_bench()
    floor = FloorReading(25.0, 0.3)
    first, _ = matched_curve(bench, replace(AT_40_DB, floor=floor))
    again, _ = matched_curve(bench, replace(AT_40_DB, floor=floor), learned=first.learned)

    def settings(curve):
        return sum(len(point.result.visited) for point in curve.points)

    assert len(first.learned.settings) <= settings(first)
    assert all(setting.level.sd_db < 5.0 for setting in first.learned.settings)
    assert settings(again) <= settings(first)


@pytest.mark.parametrize("steps", [1, 12, 150])
def test_a_stop_ends_the_curve_with_what_was_found(steps):
    """A run stopped for safety tells the pair it was at, and keeps the pairs before."""
    bench = liquid_bench()
    loop = match_curve(AT_40_DB, bench.description(), DUTIES)
    answer = None
    for _ in range(steps):
        answer = bench.answer(loop.send(answer))

    with pytest.raises(StopIteration) as end:
        loop.throw(RunStopped("The pump stands still."))

    curve = end.value.value
    assert curve.given.result.outcome == "stopped"
    assert curve.given.result.why == "The pump stands still."
    assert all(p.result.outcome == "matched" for p in curve.points if p is not curve.given)


def test_a_room_too_loud_ends_the_curve():
    """A floor next to the target is the answer for every pair, so only one is tried."""
    bench = liquid_bench()
    request = replace(AT_40_DB, floor=FloorReading(38.0, 0.3))

    curve, _ = matched_curve(bench, request)

    assert [point.result.outcome for point in curve.points] == ["floor-too-high"]


def test_the_same_answers_give_the_same_curve():
    """The curve is decided by the answers alone."""
    first, second = (matched_curve(liquid_bench(3)) for _ in range(2))

    assert first[1] == second[1]


def test_the_bench_is_never_taken_beyond_its_limits():
    """No step asks for a duty outside what the bench takes."""
    bench = liquid_bench(5, min_duty_percent=20.0)
    loop = match_curve(AT_40_DB, bench.description(), DUTIES)
    limits = bench.description().actuators
    asked = []

    def answer(step):
        """Note what is asked before it is answered."""
        asked.append(step)
        return LevelBench.answer(bench, step)

    bench.answer = answer
    run(loop, bench)

    assert any(isinstance(step, Listen) for step in asked)
    for step in asked:
        if isinstance(step, SetDuty):
            for name, duty in step.duty_percent.items():
                assert limits[name].min_duty_percent <= duty <= limits[name].max_duty_percent


def test_duties_are_spread_over_what_the_pump_takes():
    """Five duties from the lowest to the highest that the pump takes."""
    assert curve_duties(liquid_bench().description(), 5) == DUTIES


@pytest.mark.parametrize(
    ("duties", "sentence"),
    [
        ((40.0, 110.0), "takes 30 to 100 %, not 110 %"),
        ((40.0, 40.0), "at least two different pump duties"),
        ((), "at least two different pump duties"),
    ],
)
def test_duties_that_do_not_fit_are_refused(duties, sentence):
    """Duties outside the pump's range, or less than two, are refused at the first step."""
    bench = liquid_bench()

    with pytest.raises(InputError, match=sentence):
        run(match_curve(AT_40_DB, bench.description(), duties), bench)


def test_one_point_is_no_curve():
    """A single pair is refused as a curve."""
    with pytest.raises(InputError, match="at least two pairs"):
        curve_duties(liquid_bench().description(), 1)


def test_a_bench_without_a_pump_is_refused():
    """Without a pump there is no curve, and the sentence says so."""
    bench = LevelBench(
        random_traits(np.random.default_rng(1), pump=False), np.random.default_rng(2)
    )

    with pytest.raises(InputError, match="has no pump"):
        curve_duties(bench.description(), 5)
    with pytest.raises(InputError, match="has no pump"):
        next(match_curve(AT_40_DB, bench.description(), DUTIES))
