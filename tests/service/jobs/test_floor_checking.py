"""The room floor from a source."""

from datetime import UTC, datetime

import numpy as np
import pytest
from spectral_levels import laeq_db

from service.documents.calibration import joined_calibration
from service.errors import CaptureError, SoundEnded
from service.jobs.floor_checking import check_floor
from service.simulation.cooler import Cooler
from service.simulation.microphone import Microphone
from service.simulation.plant import Plant
from service.simulation.room import Room
from service.simulation.sound_source import SimulatedSource
from service.simulation.truth import floor_level_db

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
NOTHING = Cooler("nothing", {})


@pytest.mark.parametrize("floor_db", [22.0, 26.0, 34.0])
def test_the_floor_of_a_quiet_room(calibrated, floor_db):
    """The level of an undisturbed room is found within its interval, self-noise included."""
    room = Room(floor_db=floor_db, wander_db=0.0, intrusions_per_minute=0.0)
    source = SimulatedSource(Plant(NOTHING, seed=5, room=room))

    found = check_floor(source, calibrated(48_000, 6.4), seconds=30.0, time=TIME)

    true_db = floor_level_db(room, Microphone())
    assert found.LAeq_db == pytest.approx(true_db, abs=0.1)
    assert abs(found.LAeq_db - true_db) <= found.U95_db
    assert found.LA90_db < found.LAeq_db
    assert found.listened_s == pytest.approx(30.0)
    assert found.fit_for_target_db == pytest.approx(true_db + 4.0, abs=0.5)


def test_the_intervals_are_what_their_budgets_say(calibrated):
    """U95 is 1.96 times listening; against the true level the microphone comes to it."""
    room = Room(wander_db=0.0, intrusions_per_minute=0.0)
    source = SimulatedSource(Plant(NOTHING, seed=5, room=room))
    found = check_floor(source, calibrated(48_000, 6.4), seconds=20.0, time=TIME)
    (listening,) = found.budget

    assert found.U95_db == pytest.approx(1.96 * listening.contribution_db, abs=6e-4)
    # Calibration 0.15, response and field 0.3, unknown drift 0.2 / sqrt(3); nothing is placed.
    assert [row.contribution_db for row in found.chain_budget] == pytest.approx(
        [0.15, 0.3, 0.11547], abs=1e-5
    )
    assert found.U95_absolute_db == pytest.approx(
        np.hypot(found.U95_db, 1.96 * np.linalg.norm([0.15, 0.3, 0.11547])), abs=1e-3
    )


def test_intrusions_do_not_enter_the_floor(calibrated):
    """A room with many disturbances has nearly the floor of the same room without them."""
    busy = Room(wander_db=0.0, intrusions_per_minute=4.0)
    source = SimulatedSource(Plant(NOTHING, seed=8, room=busy))

    found = check_floor(source, calibrated(48_000, 6.4), seconds=60.0, time=TIME)

    assert found.rejected_s > 1.0
    assert found.LAeq_db == pytest.approx(floor_level_db(busy, Microphone()), abs=0.3)


def test_bands_sum_to_the_level_and_hum_is_a_tone(calibrated):
    """The A-weighted one-third octaves add up to LAeq, and the mains hum is found."""
    room = Room(hum_below_db=3.0, wander_db=0.0, intrusions_per_minute=0.0)
    source = SimulatedSource(Plant(NOTHING, seed=9, room=room))

    found = check_floor(source, calibrated(48_000, 6.4), seconds=30.0, time=TIME)

    total = 10 * np.log10(sum(10 ** (level / 10) for level in found.third_octaves.LAeq_db))
    # Within a band A weighting slopes: taking it at mid-band is right to 0.2 dB.
    assert total == pytest.approx(found.LAeq_db, abs=0.2)
    assert any(abs(tone.frequency_hz - 100.0) < 0.5 for tone in found.tones)


def test_a_room_that_is_never_quiet_has_no_floor(array_source, calibrated):
    """Sound that the capture vouches for too rarely gives no floor."""
    noise = np.random.default_rng(1).standard_normal(48_000 * 8) * 1e-5
    source = array_source(noise, 48_000, faulty_s=[(0.0, 6.5)])

    with pytest.raises(CaptureError, match="undisturbed"):
        check_floor(source, calibrated(48_000), seconds=8.0, time=TIME)


def test_a_recording_that_is_too_short(array_source, calibrated):
    """Less than six seconds end in a clear error, a little more are judged."""
    noise = np.random.default_rng(2).standard_normal(48_000 * 8) * 1e-5

    assert check_floor(
        array_source(noise, 48_000), calibrated(48_000), seconds=30.0, time=TIME
    ).listened_s == pytest.approx(8.0, abs=0.11)
    with pytest.raises(SoundEnded):
        check_floor(
            array_source(noise[: 48_000 * 4], 48_000), calibrated(48_000), seconds=30.0, time=TIME
        )


def test_the_floor_of_two_microphones_is_their_mean_energy(array_source, calibrated):
    """Level and bands are averaged, and tones are found although only one microphone hears them."""
    rng = np.random.default_rng(4)
    time_s = np.arange(48_000 * 12) / 48_000
    hum = 4e-4 * np.sin(2 * np.pi * 1000 * time_s)
    samples = np.stack([1e-4 * rng.standard_normal(time_s.size) for _ in range(2)], axis=1)
    samples[:, 1] = 0.4 * samples[:, 1] + hum
    factors = (2.0, 0.7)
    both = joined_calibration([calibrated(48_000, f, n) for n, f in enumerate(factors, 1)])

    found = check_floor(array_source(samples, 48_000), both, seconds=12.0, time=TIME)

    each_db = [laeq_db(samples[:, n], 48_000, factor) for n, factor in enumerate(factors)]
    mean_db = 10 * np.log10(np.mean(10 ** (np.array(each_db) / 10)))
    assert found.LAeq_db == pytest.approx(mean_db, abs=0.1)
    total_db = 10 * np.log10(sum(10 ** (level / 10) for level in found.third_octaves.LAeq_db))
    assert total_db == pytest.approx(mean_db, abs=0.2)
    assert any(abs(tone.frequency_hz - 1000.0) < 1.0 for tone in found.tones)
