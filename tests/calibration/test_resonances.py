"""The law over speed and what stands out of it, where both are known in closed form."""

import numpy as np
import pytest

from calibration.resonances import Candidate, FanLevels, candidates, describe, fit_law, inside

RATE_PER_S = -0.02


def straight_db(speed):
    """55 dB per decade through 40 dB at 1000 rpm."""
    return 40.0 + 55.0 * np.log10(np.asarray(speed) / 1000.0)


def hump_db(speed, centre, height_db, width):
    """A resonance."""
    return height_db * np.exp(-0.5 * (np.log(speed / centre) / (width / 2.0)) ** 2)


def glide(levels_of, *, delay_s=0.0, noise_db=0.0, seed=1):
    """Glide from 2000 to 500 rpm; the sound comes `delay_s` after the tachometer."""
    log_speed = np.arange(np.log(2000.0), np.log(500.0), 0.5 * RATE_PER_S)
    produced_at = np.exp(log_speed - RATE_PER_S * delay_s)
    levels = levels_of(produced_at)
    levels = levels + noise_db * np.random.default_rng(seed).standard_normal(levels.size)
    return FanLevels(log_speed, levels, np.ones(levels.size), np.full(levels.size, RATE_PER_S))


def settled(levels_of, speeds=(500.0, 650.0, 820.0, 1030.0, 1300.0, 1640.0, 2000.0)):
    """Hear settled settings."""
    speed = np.array(speeds)
    return FanLevels(np.log(speed), levels_of(speed), np.ones(speed.size), np.zeros(speed.size))


def test_a_straight_law_is_found():
    """Without resonances the law is the straight one at every speed, and nothing stands out."""
    heard = glide(straight_db)
    law = fit_law(settled(straight_db), heard)
    speeds = np.geomspace(500.0, 2000.0, 20)

    assert law.level_db(np.log(speeds)) == pytest.approx(straight_db(speeds), abs=0.05)
    assert candidates(law, heard) == []


@pytest.mark.parametrize("delay_s", [-0.5, 0.0, 1.0, 1.5])
def test_the_delay_of_the_sound_shows_in_the_levels(delay_s):
    """How much the sound trails the tachometer is found from glides beside settled settings."""
    law = fit_law(settled(straight_db), glide(straight_db, delay_s=delay_s))

    assert law.delay_s == pytest.approx(delay_s, abs=0.2)


def test_resonances_do_not_hold_the_law_up():
    """Under three resonances the law still lies where it does without them, within 0.3 dB."""

    def levels_of(speed):
        humps = [(700.0, 4.0, 0.08), (1100.0, 3.0, 0.06), (1700.0, 4.0, 0.08)]
        return straight_db(speed) + sum(hump_db(speed, *hump) for hump in humps)

    law = fit_law(settled(levels_of), glide(levels_of, noise_db=0.15))
    speeds = np.geomspace(550.0, 1900.0, 20)

    assert law.level_db(np.log(speeds)) == pytest.approx(straight_db(speeds), abs=0.3)


@pytest.mark.parametrize("centre", [620.0, 900.0, 1450.0])
@pytest.mark.parametrize("delay_s", [0.0, 1.0])
def test_a_candidate_has_place_height_and_half_height(centre, delay_s):
    """A resonance of 3.5 dB and 5 % width stands out at its place, with the width of its half."""

    def levels_of(speed):
        return straight_db(speed) + hump_db(speed, centre, 3.5, 0.05)

    heard = glide(levels_of, delay_s=delay_s, noise_db=0.1)
    (found,) = candidates(fit_law(settled(levels_of), heard), heard)
    resonance = describe(found, found.height_db, 0.2)

    # Half seconds are 1 % of speed apart, and the delay is known to 0.2 s.
    assert resonance.centre == pytest.approx(centre, rel=0.01)
    assert resonance.height_db == pytest.approx(3.5, abs=0.4)
    assert np.log(resonance.high / resonance.low) == pytest.approx(1.178 * 0.05, abs=0.015)


def test_a_single_loud_half_second_is_no_candidate():
    """A bang of half a second is no range of speeds."""
    heard = glide(straight_db)
    levels = heard.level_db.copy()
    levels[40] += 15.0
    heard = FanLevels(heard.log_speed, levels, heard.share, heard.rate_per_s)

    assert candidates(fit_law(settled(straight_db), heard), heard) == []


def test_what_passes_may_be_of_any_size():
    """Something too tall or too wide for a fan is a candidate to hear again, and no resonance."""
    assert Candidate(7.0, 4.0, 6.97, 7.03).may_be_resonance
    assert not Candidate(7.0, 15.0, 6.97, 7.03).may_be_resonance
    assert not Candidate(7.0, 4.0, 6.8, 7.2).may_be_resonance


def test_the_flanks_belong_to_a_candidate():
    """What a candidate lifts reaches beyond its half heights, and ends."""
    found = inside(Candidate(7.0, 4.0, 6.97, 7.03), np.array([6.85, 6.94, 7.0, 7.06, 7.15]))

    assert found.tolist() == [False, True, True, True, False]
