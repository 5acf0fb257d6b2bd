"""Orders followed through glides whose frequency and level are known at any time."""

import numpy as np
import pytest
from gliding_machine import gliding_machine

from acoustic.calm_speeds import nearest_calm, speeds_heard
from acoustic.errors import InputError, SignalError
from acoustic.microphone_response import MicrophoneResponse
from acoustic.order_crossings import find_crossings
from acoustic.order_tracks import order_tracks, staying_tones
from acoustic.over_speed import gather_over_speed
from acoustic.rotors import Rotor
from acoustic.signals import PressureSignal
from acoustic.speed_course import SpeedCourse
from acoustic.speed_from_sound import speed_from_sound

FAN = Rotor("fan", 1200.0, "fan", blades=7)


def tracked(glide, **options):
    """Follow a glide as a user does: the speed from the sound, the rest from that."""
    course = speed_from_sound(glide.blocks, glide.read, FAN).course
    heard = gather_over_speed(glide.blocks, course, **options)
    stays = staying_tones(heard, calibrated=True)
    return heard, order_tracks(heard, FAN, stays, calibrated=True), stays


@pytest.mark.parametrize("rate_per_s", [0.03, 0.1])
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("orders", [{7: 45.0, 14: 40.0}, {1: 40.0, 7: 35.0, 21: 30.0}])
def test_a_speed_is_found_within_1_percent_through_glides_and_crossings(rate_per_s, seed, orders):
    """Late, stepped readings off by 1 % become a speed within 1 %, where fixed tones cross too."""
    glide = gliding_machine(
        rate_per_s=rate_per_s,
        orders=orders,
        stays=[(120.0, 45.0), (300.0, 40.0)],
        delay_s=0.7,
        off=0.01,
        seed=seed,
    )

    found = speed_from_sound(glide.blocks, glide.read, FAN)

    inside = (found.course.time_s > 1.0) & (found.course.time_s < glide.true.time_s[-1] - 1.0)
    off = found.course.rpm / glide.true.at(found.course.time_s) - 1.0
    assert np.abs(off[inside]).max() < 0.01
    assert found.delay_s == pytest.approx(0.7, abs=0.25)
    assert found.deviation == pytest.approx(-0.01, abs=0.006)


@pytest.mark.parametrize("rate_per_s", [0.04, 0.1])
def test_levels_of_orders_are_the_closed_form(rate_per_s):
    """Orders keep their level within 0.5 dB at every speed at which nothing else lies on them."""
    truth = {7: 50.0, 14: 40.0, 21: 35.0}
    glide = gliding_machine(rate_per_s=rate_per_s, orders=truth, stays=[(120.0, 45.0)])

    heard, tracks, stays = tracked(glide)

    assert [track.order for track in tracks] == list(truth)
    assert [track.name for track in tracks] == ["blade-pass", "blade-pass x2", "blade-pass x3"]
    for track in tracks:
        alone = ~track.shared
        assert np.isfinite(track.level_db[alone]).all()
        assert track.level_db[alone] == pytest.approx(truth[track.order], abs=0.5)
        assert np.count_nonzero(alone) > 0.7 * len(heard.rpm)
    assert [tone.frequency_hz for tone in stays] == pytest.approx([120.0], rel=5e-4)
    assert stays[0].level_db == pytest.approx(45.0, abs=0.5)


def test_the_ratio_to_the_noise_is_the_closed_form():
    """35 dB in white noise of -5 dB in each hertz: the critical band at 160 Hz is 102 Hz wide."""
    glide = gliding_machine(rate_per_s=0.04, orders={7: 35.0}, noise_db=-5.0)

    _, (track,), _ = tracked(glide)

    # The width of the band from its published formula.
    width_hz = 25 + 75 * (1 + 1.4 * (track.frequency_hz / 1000) ** 2) ** 0.69
    expected_db = 35.0 - (-5.0 + 10 * np.log10(width_hz))
    known = np.isfinite(track.tone_to_noise_ratio_db)
    off = track.tone_to_noise_ratio_db[known] - expected_db[known]
    assert np.abs(off).max() < 1.5  # few segments of noise at each speed
    assert abs(off.mean()) < 0.5
    assert track.prominent[known].all()


def test_noise_alone_has_no_order():
    """Neither an order nor a tone that stays is found in noise, nor a prominent one."""
    for seed in range(4):
        glide = gliding_machine(rate_per_s=0.1, orders={}, seed=seed)
        heard = gather_over_speed(glide.blocks, glide.true)

        assert order_tracks(heard, FAN, (), calibrated=True) == ()
        assert staying_tones(heard, calibrated=True) == ()
        assert not any(each.prominent for each in speeds_heard(heard, calibrated=True, hop_s=0.3))


@pytest.mark.parametrize("rate_per_s", [0.04, 0.1])
def test_a_resonance_is_found_where_it_is(rate_per_s):
    """An order that grows by 12 dB around 160 Hz meets something there; the others do not."""
    glide = gliding_machine(
        rate_per_s=rate_per_s, orders={7: 40.0, 21: 35.0}, resonance=(160.0, 5.0, 12.0)
    )

    _, tracks, stays = tracked(glide)
    (crossing,) = find_crossings(tracks, stays)

    assert (crossing.order, crossing.staying_hz, crossing.also_orders) == (7, None, ())
    assert crossing.frequency_hz == pytest.approx(160.0, rel=0.02)
    assert crossing.low_rpm < 160 / 7 * 60 < crossing.high_rpm
    assert crossing.high_rpm / crossing.low_rpm < 1.25
    assert 6.0 < crossing.rise_db < 12.5


def test_two_orders_that_meet_one_thing_name_each_other():
    """A resonance at 240 Hz is met by orders 9 and 14, each at its own speed."""
    glide = gliding_machine(
        rate_per_s=0.04, orders={9: 40.0, 14: 40.0}, resonance=(240.0, 8.0, 12.0)
    )

    _, tracks, stays = tracked(glide)
    low, high = find_crossings(tracks, stays)

    assert (low.order, low.also_orders, high.order, high.also_orders) == (14, (9,), 9, (14,))


def test_an_order_that_crosses_hum_says_so():
    """Where a fixed tone is louder than the order that crosses it, that tone is what it meets."""
    glide = gliding_machine(rate_per_s=0.05, orders={7: 35.0, 14: 35.0}, stays=[(150.0, 50.0)])

    _, tracks, stays = tracked(glide)
    crossings = find_crossings(tracks, stays)

    assert {(each.order, round(each.staying_hz)) for each in crossings} == {(7, 150)}
    (blade_pass, _) = tracks
    at = np.argmin(np.abs(blade_pass.frequency_hz - 150.0))
    assert blade_pass.shared[at]


def test_calm_speeds_are_those_without_a_prominent_tone():
    """A blade-pass that only a resonance makes prominent leaves calm speeds below and above."""
    glide = gliding_machine(
        rate_per_s=0.04, orders={7: 6.0}, resonance=(160.0, 5.0, 25.0), noise_db=-20.0
    )

    heard = gather_over_speed(glide.blocks, glide.true)
    speeds = speeds_heard(heard, calibrated=True, hop_s=0.3)
    below, above = nearest_calm(speeds, 160 / 7 * 60)

    assert 900 < below.rpm < 1360 < above.rpm < 1800
    loud = [each for each in speeds if below.rpm < each.rpm < above.rpm]
    assert loud
    assert all(each.prominent for each in loud)
    # White noise of -20 dB in each hertz up to 8 kHz, A-weighted: within 1 dB of its Z level.
    assert below.LAeq_db == pytest.approx(-20 + 10 * np.log10(8_000), abs=1.5)
    assert nearest_calm(loud, 1370) == (None, None)


def test_what_is_left_out_and_the_microphone_do_not_show():
    """A bang that is left out changes nothing, and 6 dB that the microphone adds are taken off."""
    glide = gliding_machine(rate_per_s=0.05, orders={7: 40.0})
    heard = gather_over_speed(glide.blocks, glide.true)
    banged = glide._replace(samples=glide.samples.copy())
    banged.samples[5 * 16_000 : 6 * 16_000] *= 50.0
    six_db_more = MicrophoneResponse(np.array([20.0, 8_000.0]), np.array([6.0, 6.0]))

    again = gather_over_speed(
        banged.blocks, glide.true, left_out_s=[(5.0, 6.0)], response=six_db_more
    )

    assert again.LAeq_db == pytest.approx(heard.LAeq_db - 6.0, abs=0.5)


def test_blocks_of_any_size_give_the_same():
    """How the sound comes in changes nothing."""
    glide = gliding_machine(rate_per_s=0.1, orders={7: 40.0})

    def whole():
        yield PressureSignal(glide.samples[:, None], 16_000)

    one = gather_over_speed(glide.blocks, glide.true)
    other = gather_over_speed(whole, glide.true)

    assert other.turned_density == pytest.approx(one.turned_density, rel=1e-9)


def test_a_course_knows_nothing_in_gaps_and_beyond_its_ends():
    """Between readings more than 3 s apart, before the first and after the last, it is unknown."""
    course = SpeedCourse(np.array([1.0, 2.0, 6.0, 7.0]), np.array([1000.0, 1100.0, 1500.0, 0.0]))

    assert course.at(np.array([0.5, 1.5, 4.0, 6.5])) == pytest.approx(
        [np.nan, 1050.0, np.nan, np.nan], nan_ok=True
    )


@pytest.mark.parametrize(
    ("time_s", "rpm", "why"),
    [
        ([0.0, 1.0, 1.0], [900.0, 900.0, 900.0], "must rise; after 1 s comes 1 s"),
        ([0.0, 1.0], [900.0, 0.0], "two readings above 0 rpm"),
        ([0.0, 1.0], [900.0], "as many times"),
    ],
)
def test_a_course_that_is_none_is_refused(time_s, rpm, why):
    """Times that do not rise, and too few speeds, are said."""
    with pytest.raises(InputError, match=why):
        SpeedCourse(np.array(time_s), np.array(rpm))


def test_speeds_of_another_time_are_refused():
    """Readings that begin after the sound has ended are none of it."""
    glide = gliding_machine(rate_per_s=0.1, orders={7: 40.0})
    elsewhere = glide.read.later(1000.0)

    with pytest.raises(SignalError, match="No speed is known at any time of the sound"):
        speed_from_sound(glide.blocks, elsewhere, FAN)
    with pytest.raises(SignalError, match="At no time is there both"):
        gather_over_speed(glide.blocks, elsewhere)
