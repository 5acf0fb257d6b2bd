"""What a match that broke off is worth to the next one of the same cooler."""

from dataclasses import replace

import numpy as np
from closed_loop.level_bench import LevelBench, random_traits, run, without
from closed_loop.population_report import reach_of
from closed_loop.strategies import first_floor

from calibration.learned import NOTHING_LEARNED
from calibration.matching import match
from calibration.results import MatchRequest
from service.jobs.driving import end_as_stopped

TARGET_DB, BROKEN_AFTER_S = 40.0, 40.0


def broken_off(bench):
    """Match as narrowly as takes minutes, stop in the middle of it, and return what was learned."""
    request = MatchRequest(TARGET_DB, 0.05, floor=first_floor(bench))
    loop, answer = match(request, bench.description()), None
    while bench.time_s < BROKEN_AFTER_S:
        answer = bench.answer(loop.send(answer))
    learned = end_as_stopped(loop, "The run was interrupted.").learned
    return replace(learned, offset_sd_db=0.1)


def visited(traits, number, learned):
    """Match the cooler again, a little later, and return how many settings it took."""
    bench = LevelBench(traits, np.random.default_rng([17, number, 1]))
    request = MatchRequest(TARGET_DB, 0.3, floor=first_floor(bench))
    return run(match(request, bench.description(), learned), bench).settings_visited


def test_what_a_match_had_heard_saves_settings():
    """Over many coolers, going on takes fewer settings than beginning anew."""
    saved = []
    for number in range(30):
        rng = np.random.default_rng([17, number])
        traits = without(random_traits(rng), drift_db=0.0)
        bench = LevelBench(traits, rng)
        if reach_of(bench, TARGET_DB) != "reachable":
            continue
        learned = broken_off(bench)
        saved.append(visited(traits, number, NOTHING_LEARNED) - visited(traits, number, learned))
    assert len(saved) >= 15
    assert np.mean(saved) > 0.5
