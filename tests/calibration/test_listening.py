"""What a setting comes to, against levels whose truth is known."""

import numpy as np
import pytest

from calibration.bench_state import BenchState
from calibration.listening import ListeningKnowledge, SettingListener
from calibration.steps import Heard

STATE = BenchState("leased", None, {}, {})


def heard(levels_db, valid=None):
    """Make what one stretch of sound brought."""
    levels = np.asarray(levels_db, dtype=float)
    flags = np.ones(levels.size, dtype=bool) if valid is None else np.asarray(valid)
    return Heard(levels, flags, STATE)


def steady_db(seconds, seed=1, level_db=40.0):
    """Draw the 100 ms levels of a sound that does not hunt."""
    return level_db + 0.25 * np.random.default_rng(seed).standard_normal(round(10 * seconds))


def listen(*stretches, known=None, rpm=None):
    """Listen to some stretches at one setting."""
    listener = SettingListener(known or ListeningKnowledge())
    for stretch in stretches:
        listener.add(stretch, rpm)
    return listener


def test_a_steady_sound_reads_its_level():
    """Ten seconds read the level within the stated interval, in whatever stretches they came."""
    levels = steady_db(10)
    whole = listen(heard(levels)).estimate()
    pieces = listen(heard(levels[:30]), heard(levels[30:37]), heard(levels[37:])).estimate()

    assert whole.mean_db == pytest.approx(40.0, abs=0.05)
    assert abs(whole.mean_db - 40.0) < 1.96 * whole.sd_db
    assert pieces == whole


def test_time_is_counted_in_intervals():
    """What was heard and left out is counted by the intervals taken."""
    listener = listen(heard(steady_db(3)), heard(steady_db(1), np.zeros(10, dtype=bool)))

    assert listener.heard_s == pytest.approx(4.0)
    assert listener.rejected_s == pytest.approx(1.0)
    assert listener.left_out_s == ((3.0, 4.0),)


def test_a_door_is_left_out_with_its_place():
    """A slam does not enter the level, and where it was is told."""
    levels = steady_db(10)
    levels[40:46] += 15
    listener = listen(heard(levels))

    assert listener.estimate().mean_db == pytest.approx(40.0, abs=0.06)
    ((start_s, end_s),) = listener.left_out_s
    assert start_s == pytest.approx(3.6, abs=0.1)
    assert end_s == pytest.approx(5.0, abs=0.1)
    assert listener.rejected_s == pytest.approx(end_s - start_s)


@pytest.mark.parametrize("spoiled_db", [-np.inf, 120.0, -40.0, np.nan])
def test_what_the_capture_distrusts_does_not_count(spoiled_db):
    """Half the intervals marked invalid, with any level in them, change nothing."""
    levels = steady_db(10)
    clean = listen(heard(levels[50:])).estimate()
    valid = np.ones(100, dtype=bool)
    valid[:50] = False
    levels[:50] = spoiled_db
    spoiled = listen(heard(levels, valid))

    assert spoiled.estimate() == clean
    assert spoiled.rejected_s == pytest.approx(5.0)


def test_digital_silence_is_no_level():
    """Intervals that read minus infinity are left out although nothing was said against them."""
    levels = steady_db(10)
    levels[20:30] = -np.inf

    assert listen(heard(levels)).estimate().mean_db == pytest.approx(40.0, abs=0.06)


def test_without_one_usable_second_there_is_no_estimate():
    """Nothing usable gives no estimate and teaches nothing, and time still counts."""
    listener = listen(heard(np.full(30, -np.inf)), heard(steady_db(1), np.zeros(10, dtype=bool)))

    assert listener.estimate() is None
    assert listener.heard_s == pytest.approx(4.0)
    assert listener.rejected_s == pytest.approx(4.0)
    known = listener.knowledge()
    assert np.isfinite(known.spread.spread_db)
    assert known.spread.spread_db > 0


def test_the_callers_arrays_stay_as_they_are():
    """Listening leaves the flags that were handed over alone."""
    levels = steady_db(10)
    levels[40:46] += 15
    valid = np.ones(100, dtype=bool)
    listen(heard(levels, valid)).estimate()

    assert valid.all()


def test_speed_is_the_mean_over_the_listening():
    """Fan speeds read along are averaged; without a tachometer there is none."""
    listener = SettingListener(ListeningKnowledge())
    for rpm in (1200.0, None, 1210.0):
        listener.add(heard(steady_db(1)), rpm)

    assert listener.rpm == pytest.approx(1205.0)
    assert listen(heard(steady_db(1))).rpm is None


def test_an_intrusion_that_began_on_arrival_is_seen():
    """A vehicle already there when listening starts is told by the quieter seconds before it."""
    before = heard(steady_db(2, 5))
    drowned = np.concatenate([steady_db(3, 6) + 12.0, steady_db(3, 7)])
    knowing = SettingListener(ListeningKnowledge(), [before])
    knowing.add(heard(drowned[:30]), None)
    blind = listen(heard(drowned[:30]))

    assert blind.estimate().mean_db == pytest.approx(52.0, abs=0.2)
    assert knowing.estimate() is None
    knowing.add(heard(drowned[30:]), None)
    assert knowing.estimate().mean_db == pytest.approx(40.0, abs=0.2)
    # What was heard on arrival is no part of the listening itself.
    assert knowing.heard_s == pytest.approx(6.0)


def test_knowledge_makes_the_next_setting_surer():
    """After still settings the same seconds of listening give a narrower interval."""
    known = ListeningKnowledge()
    for seed in range(6):
        known = listen(heard(steady_db(15, seed)), known=known).knowledge()
    fresh = listen(heard(steady_db(6, 99))).estimate()
    taught = listen(heard(steady_db(6, 99)), known=known).estimate()

    assert taught.sd_db < 0.7 * fresh.sd_db
    assert known.spread.spread_db == pytest.approx(0.25, rel=0.1)
    assert known.spread.weight_intervals <= 200
