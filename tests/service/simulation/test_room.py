import numpy as np
import pytest
from spectral_levels import band_level_db, laeq_db

from service.simulation.intrusions import Intrusion, IntrusionSound, envelope
from service.simulation.room import Room, RoomSound, hum_tones

RATE_HZ, FRAMES = 48_000, 2400


def sound_of(room, steps, seed=1):
    """Return the room's sound and the object that made it."""
    sound = RoomSound(room, FRAMES, RATE_HZ, np.random.default_rng(seed))
    return np.concatenate([sound.render(sound.step()) for _ in range(steps)]), sound


def test_floor_is_at_its_level():
    """Noise and hum together read the floor that was asked for."""
    samples, _ = sound_of(Room(floor_db=26.0, wander_db=0.0, intrusions_per_minute=0.0), 2400)

    # 0.06 dB: three times the scatter of two minutes of noise a few hundred hertz wide.
    assert laeq_db(samples, RATE_HZ) == pytest.approx(26.0, abs=0.06)


def test_spectrum_falls():
    """Every octave from 63 Hz to 8 kHz is quieter than the one below it."""
    samples, _ = sound_of(Room(wander_db=0.0, intrusions_per_minute=0.0, hum_below_db=60.0), 400)

    octaves_db = [
        band_level_db(samples, RATE_HZ, 1.0, mid / 2**0.5, mid * 2**0.5)
        for mid in 1000.0 * 2.0 ** np.arange(-4, 4)
    ]

    assert np.all(np.diff(octaves_db) < 0.0)


def test_hum_lies_at_multiples_of_the_mains():
    """Each hum tone is heard with its level, and all together lie where the room says."""
    room = Room(floor_db=40.0, hum_below_db=3.0, wander_db=0.0, intrusions_per_minute=0.0)
    samples, _ = sound_of(room, 2000)

    for frequency_hz, level_db in hum_tones(room):
        heard_db = band_level_db(samples, RATE_HZ, 1.0, frequency_hz - 0.2, frequency_hz + 0.2)

        assert frequency_hz % 50.0 == 0.0
        assert heard_db == pytest.approx(level_db, abs=0.3)  # some noise falls into 0.4 Hz


def test_wander_is_slow_and_stays_within_its_limits():
    """The floor wanders within half a decibel and does not jump."""
    sound = RoomSound(Room(intrusions_per_minute=0.0), FRAMES, RATE_HZ, np.random.default_rng(4))
    gains_db = np.array([sound.step()[1] for _ in range(50_000)])

    assert np.abs(gains_db).max() <= 0.5 + 0.01
    assert gains_db.std() == pytest.approx(0.24, abs=0.05)
    assert np.abs(np.diff(gains_db)).max() < 0.06


def test_intrusions_come_about_once_a_minute_and_at_random():
    """Over five hours the number and the gaps are those of a Poisson process."""
    sound = RoomSound(Room(), FRAMES, RATE_HZ, np.random.default_rng(6))
    for _ in range(5 * 3600 * 20):
        sound.step()
        sound.skip()

    gaps_s = np.diff([event.start_s for event in sound.intrusions])
    assert len(sound.intrusions) == pytest.approx(300, abs=3 * 300**0.5)
    assert np.std(gaps_s) == pytest.approx(np.mean(gaps_s), rel=0.2)
    assert {event.kind for event in sound.intrusions} == {"door", "vehicle", "voice"}


def test_intrusions_are_heard_when_they_are_and_not_before():
    """Seconds with an intrusion are louder; seconds clear of all of them read the floor."""
    samples, sound = sound_of(Room(wander_db=0.0, intrusions_per_minute=4.0), 20 * 120, seed=8)
    seconds = samples.reshape(-1, RATE_HZ)
    levels_db = np.array([laeq_db(second, RATE_HZ) for second in seconds])
    disturbed = np.zeros(len(levels_db), dtype=bool)
    for event in sound.intrusions:
        disturbed[int(event.start_s) : int(event.start_s + event.duration_s) + 1] = True

    assert len(sound.intrusions) >= 3
    assert np.abs(levels_db[~disturbed] - 26.0).max() < 1.0
    for event in sound.intrusions:
        around = levels_db[int(event.start_s) : int(event.start_s + event.duration_s) + 1]
        assert around.max() > 29.0


def test_a_room_left_alone_has_no_intrusions():
    """At a rate of zero nothing ever comes in."""
    _, sound = sound_of(Room(intrusions_per_minute=0.0), 2000)

    assert sound.intrusions == []


@pytest.mark.parametrize("kind", ["door", "vehicle", "voice"])
def test_envelope_reaches_its_top_and_ends(kind):
    """Each kind of event rises to about one, and is nothing before it begins and after it ends."""
    time_s = np.arange(-0.5, 4.0, 1e-3)

    shape = envelope(kind, time_s, 3.0)

    assert 0.9 < shape.max() <= 1.0
    assert not shape[time_s < 0.0].any()
    assert not shape[time_s >= 3.0].any()


def test_intrusion_has_its_level_at_the_top():
    """In the middle of a passing vehicle its A-weighted level is the one drawn for it."""
    event = Intrusion("vehicle", 0.0, 400.0, 45.0)
    sound = IntrusionSound(event, FRAMES, RATE_HZ, 195 * RATE_HZ, np.random.default_rng(1))

    samples = np.concatenate([sound.render() for _ in range(200)])  # 195 s to 205 s

    assert laeq_db(samples, RATE_HZ) == pytest.approx(45.0, abs=0.15)
