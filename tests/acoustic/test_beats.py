"""Beats in drawn levels and drawn sounds whose period and depth are known."""

import numpy as np
import pytest
from drawn_levels import (
    TRUE_DB,
    all_of,
    any_hunting_db,
    beat_db,
    drawn_levels_db,
    wander_db,
    with_gaps,
)
from hypothesis import given
from hypothesis import strategies as st

from acoustic.beats import find_beat
from acoustic.errors import SignalError


def alarms(draw, runs):
    """Number of draws in which a beat is found."""
    return sum(find_beat(*draw()) is not None for _ in range(runs))


def test_hunting_is_no_beat():
    """Of hunting of any size and speed, drifting or not, at most 1 % is taken for a beat."""
    rng = np.random.default_rng(41)

    def draw(seconds):
        levels = any_hunting_db(rng, seconds)
        return levels, all_of(levels)

    runs = {5.0: 300, 10.0: 400, 20.0: 200, 60.0: 100}
    found = sum(alarms(lambda s=seconds: draw(s), count) for seconds, count in runs.items())

    assert found <= 0.01 * sum(runs.values())


def test_gaps_make_no_beat():
    """With a third left out in pieces, at most 1 % of hunting is taken for a beat."""
    rng = np.random.default_rng(42)

    def draw():
        levels = any_hunting_db(rng, 15.0)
        return levels, with_gaps(rng, levels.size, 0.33)

    assert alarms(draw, 300) <= 3


def test_smooth_hunting_is_no_beat():
    """Hunting of second order, which has a hump in no place of its spectrum, raises no alarm."""
    rng = np.random.default_rng(43)

    def draw():
        count, tau_s = 200, rng.choice([0.3, 1.0, 3.0, 6.0])
        # One wander that follows another is critically damped, of second order.
        decay = np.exp(-0.1 / tau_s)
        smooth = wander_db(rng, 400, 1.0, tau_s)
        for i in range(1, 400):
            smooth[i] = decay * smooth[i - 1] + (1 - decay) * smooth[i]
        levels = TRUE_DB + rng.choice([0.1, 0.3, 0.6]) * smooth[200:] * 2**0.5
        return levels + 0.3 * rng.standard_normal(count), np.ones(count, dtype=bool)

    assert alarms(draw, 300) <= 3


@pytest.mark.parametrize(
    ("seconds", "depth_db", "period_s", "least"),
    [
        (10, 2.0, 0.3, 0.98),
        (10, 2.0, 2.0, 0.98),
        (20, 1.0, 0.3, 0.98),
        (20, 1.0, 2.0, 0.95),
        (20, 2.0, 4.0, 0.95),
        (60, 1.0, 4.0, 0.98),
        (60, 2.0, 8.0, 0.98),
        (60, 3.0, 20.0, 0.85),
    ],
)
def test_beats_are_found_with_period_and_depth(seconds, depth_db, period_s, least):
    """Beats beside hunting are found, their period within half a line, their depth within 1 dB."""
    rng = np.random.default_rng(44)
    runs, found = 40, []
    for _ in range(runs):
        levels = drawn_levels_db(rng, seconds, depth_db=depth_db, period_s=period_s)
        beat = find_beat(levels, all_of(levels))
        if beat is not None and abs(1 / beat.period_s - 1 / period_s) < 0.5 / seconds:
            found.append(beat)

    assert len(found) / runs >= least
    # Slow hunting adds to a slow beat or takes away from it.
    errors_db = [beat.depth_db - depth_db for beat in found]
    assert np.sqrt(np.mean(np.square(errors_db))) < 1.0
    assert all(beat.confidence >= 0.99 for beat in found)


@given(
    depth_db=st.floats(0.2, 15.0),
    period_s=st.floats(1.1, 12.0),  # harmonics of faster deep beats fold back onto the beat
    phase=st.floats(0.0, 6.28),
    level_db=st.floats(-20.0, 120.0),
)
def test_a_beat_without_noise_is_measured(depth_db, period_s, phase, level_db):
    """Period within 1 %, depth within 3 %, whatever the level."""
    time_s = 0.1 * (np.arange(450) + 0.5)
    levels = level_db + beat_db(time_s, depth_db, period_s, phase)
    beat = find_beat(levels, all_of(levels))

    assert beat is not None
    assert beat.period_s == pytest.approx(period_s, rel=0.01)
    assert beat.depth_db == pytest.approx(depth_db, rel=0.03)


@pytest.mark.parametrize(("difference_hz", "ratio"), [(0.4, 0.2), (1.1, 0.5), (3.3, 0.3)])
def test_two_tones_beat_with_their_difference(difference_hz, ratio):
    """Sound of two tones in noise beats with the period and the depth of the textbook."""
    rng, rate_hz, seconds = np.random.default_rng(45), 8000, 30
    time_s = np.arange(rate_hz * seconds) / rate_hz
    sound = np.sin(2 * np.pi * 400 * time_s) + ratio * np.sin(
        2 * np.pi * (400 + difference_hz) * time_s + 1.0
    )
    sound += 0.05 * rng.standard_normal(time_s.size)
    levels = 10 * np.log10(np.mean(np.square(sound).reshape(-1, rate_hz // 10), axis=1))
    beat = find_beat(levels, all_of(levels))

    assert beat.period_s == pytest.approx(1 / difference_hz, rel=0.005)
    assert beat.depth_db == pytest.approx(20 * np.log10((1 + ratio) / (1 - ratio)), rel=0.04)


def test_the_fastest_beats_have_an_alias():
    """Levels of 100 ms show 0.15 s as 0.3 s and say so; levels of 50 ms tell the two apart."""
    rng = np.random.default_rng(46)
    coarse = drawn_levels_db(rng, 30, depth_db=3.0, period_s=0.15)
    fine = drawn_levels_db(rng, 30, depth_db=3.0, period_s=0.15, interval_s=0.05)
    seen, true = find_beat(coarse, all_of(coarse)), find_beat(fine, all_of(fine), interval_s=0.05)

    assert seen.period_s == pytest.approx(0.3, rel=0.01)
    assert seen.alias_period_s == pytest.approx(0.15, rel=0.01)
    assert true.period_s == pytest.approx(0.15, rel=0.01)
    assert true.alias_period_s is None
    assert true.depth_db == pytest.approx(3.0, abs=0.4)


def test_slower_beats_have_no_alias():
    """From 0.3 s on the other period would be shorter than any that is looked for."""
    levels = drawn_levels_db(np.random.default_rng(47), 30, depth_db=3.0, period_s=0.5)

    assert find_beat(levels, all_of(levels)).alias_period_s is None


def test_beats_are_found_beside_gaps_and_drift():
    """A third left out and a drift of 2 dB leave a beat of 3 dB what it is."""
    rng = np.random.default_rng(48)
    levels = drawn_levels_db(rng, 40, depth_db=3.0, period_s=1.7, drift_db=2.0)
    usable = with_gaps(rng, levels.size, 0.33)
    levels[~usable] = np.nan
    beat = find_beat(levels, usable)

    assert beat.period_s == pytest.approx(1.7, rel=0.01)
    assert beat.depth_db == pytest.approx(3.0, abs=0.4)


@pytest.mark.parametrize("wandering", [0.03, 0.1])
def test_beats_whose_period_wanders_are_found(wandering):
    """Fans that hunt make a beat that loses its step; it is found, and reads no deeper."""
    rng = np.random.default_rng(49)
    found = []
    for _ in range(30):
        steps = 1 + wander_db(rng, 3000, wandering, 2.0, 0.01)
        phase = 2 * np.pi * np.cumsum(steps) * 0.01 / 1.5
        # 3 dB: q = 0.171, a swing of 0.332 of the power.
        power = (1 + 0.332 * np.cos(phase)).reshape(-1, 10).mean(axis=1)
        levels = drawn_levels_db(rng, 30) + 10 * np.log10(power)
        found.append(find_beat(levels, all_of(levels)))

    assert all(found)
    assert np.mean([beat.depth_db for beat in found]) < 3.2
    assert [beat.period_s for beat in found] == pytest.approx([1.5] * 30, rel=0.2)


def test_long_listening_is_searched_in_stretches():
    """A quarter of an hour of much hunting still shows a beat of a quarter of a decibel."""
    rng = np.random.default_rng(50)
    levels = drawn_levels_db(rng, 900, sd_db=0.4, tau_s=2.0, depth_db=0.25, period_s=0.8)
    beat = find_beat(levels, all_of(levels))

    assert beat.period_s == pytest.approx(0.8, rel=0.01)
    assert beat.depth_db == pytest.approx(0.25, abs=0.1)


@given(
    levels=st.lists(st.floats(40, 46.9), min_size=50, max_size=120),
    shift_db=st.floats(-50, 50),
)
def test_any_levels_are_judged_alike_wherever_they_lie(levels, shift_db):
    """Whatever the levels, the judgement is finite and does not depend on their height."""
    row = np.array(levels)
    here, there = find_beat(row, all_of(row)), find_beat(row + shift_db, all_of(row))

    for beat in (here, there):
        assert beat is None or (
            0.2 <= beat.period_s <= 0.4 * 0.1 * row.size * 1.3
            and 0.0 <= beat.depth_db < 40.0
            and 0.99 <= beat.confidence <= 1.0
        )
    if here is not None and here.confidence > 0.9901:
        assert there is not None
        assert there.period_s == pytest.approx(here.period_s, rel=1e-4)


def test_a_level_that_does_not_move_has_no_beat():
    """A simulation without any noise does not beat."""
    assert find_beat(np.full(200, 40.0), np.ones(200, dtype=bool)) is None


def test_what_cannot_be_searched_is_refused():
    """Marks that do not fit, levels too far apart, too little, and too much left out."""
    levels = np.full(200, 40.0)
    few = np.zeros(200, dtype=bool)
    few[:40] = True
    with pytest.raises(SignalError, match="one mark for each level"):
        find_beat(levels, few[:-1])
    with pytest.raises(SignalError, match=r"at most 0\.1 s"):
        find_beat(levels, few, interval_s=0.2)
    with pytest.raises(SignalError, match=r"4\.0 s can be used.*at least 5 s"):
        find_beat(levels, few)
    with pytest.raises(SignalError, match=r"2\.2 s can be used"):
        find_beat(np.repeat([40.0, 40.0, 60.0, 80.0], 13), np.ones(52, dtype=bool))
    few[:60] = True
    with pytest.raises(SignalError, match="listen again"):
        find_beat(levels, few)
