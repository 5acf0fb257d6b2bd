"""Levels from a source: right in decibels, in step with time, faults marked."""

import numpy as np
import pytest

from acoustic.microphone_response import microphone_response
from service.documents.calibration import joined_calibration
from service.errors import DocumentError, SoundEnded
from service.jobs.listening import CalibratedSound, LevelListener, calibration_of


def tone(rate_hz, seconds, rms):
    """Return a 1 kHz tone, which A weighting leaves as it is."""
    time_s = np.arange(round(rate_hz * seconds)) / rate_hz
    return np.sqrt(2.0) * rms * np.sin(2.0 * np.pi * 1000.0 * time_s)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000, 11_025])
def test_level_of_a_calibrated_tone(array_source, calibrated, rate_hz):
    """A tone of 0.01 Pa reads 53.98 dB at every rate, also where 100 ms is no whole number."""
    source = array_source(tone(rate_hz, 5.2, 0.005), rate_hz)
    listener = LevelListener(CalibratedSound(source, calibrated(rate_hz, 2.0)))

    listener.take(1.0)
    levels_db, valid, _ = listener.take(4.0)

    assert levels_db.shape == valid.shape == (40,)
    assert valid.all()
    assert np.abs(levels_db - 20 * np.log10(0.01 / 20e-6)).max() < 0.02


def test_faults_mark_their_intervals_only(array_source, calibrated):
    """An interval that the capture does not vouch for is marked, its neighbours are not."""
    source = array_source(tone(48_000, 2.0, 0.01), 48_000, faulty_s=[(0.52, 0.55), (1.19, 1.21)])
    listener = LevelListener(CalibratedSound(source, calibrated(48_000)))

    valid = listener.take(2.0).valid

    assert list(np.flatnonzero(~valid)) == [5, 11, 12]


def test_sound_is_taken_as_asked_and_no_further(array_source, calibrated):
    """Listening for a second takes a second of samples: sound is the clock."""
    source = array_source(tone(44_100, 3.0, 0.01), 44_100)
    listener = LevelListener(CalibratedSound(source, calibrated(44_100)))

    listener.take(0.5)
    listener.take(0.5)

    assert source.position == 44_100


def test_a_source_that_ends_is_said_to_end(array_source, calibrated):
    """More sound than there is raises."""
    source = array_source(tone(48_000, 1.0, 0.01), 48_000)
    listener = LevelListener(CalibratedSound(source, calibrated(48_000)))

    with pytest.raises(SoundEnded):
        listener.take(1.1)


def test_only_trustworthy_sound_since_the_last_setting_is_kept(array_source, calibrated):
    """The kept sound belongs to one setting and holds no faulty interval."""
    source = array_source(tone(48_000, 4.0, 0.01), 48_000, faulty_s=[(2.51, 2.59)])
    listener = LevelListener(CalibratedSound(source, calibrated(48_000)))
    listener.take(2.0)

    assert listener.kept_sound().duration_s == pytest.approx(2.0)

    listener.forget_sound()

    assert listener.kept_sound() is None

    listener.take(1.0)

    assert listener.kept_sound().duration_s == pytest.approx(0.9)


def test_the_calibrated_channel_is_heard(array_source, calibrated):
    """Of two channels the one that was calibrated counts."""
    both = np.stack([tone(48_000, 3.0, 0.1), tone(48_000, 3.0, 0.005)], axis=1)
    listener = LevelListener(
        CalibratedSound(array_source(both, 48_000), calibrated(48_000, 2.0, 2))
    )

    listener.take(1.0)
    levels_db = listener.take(1.0).levels_db

    assert levels_db.mean() == pytest.approx(53.98, abs=0.02)


def test_channels_are_averaged_as_energy_each_with_its_own_factor(array_source, calibrated):
    """60 dB at one microphone and 50 dB at another are 57.4 dB, whatever their sensitivities."""
    pascal = 20e-6 * 10 ** (np.array([60.0, 0.0, 50.0]) / 20)
    factors = np.array([2.0, 1.0, 0.3])
    samples = np.stack([tone(48_000, 4.0, rms) for rms in pascal / factors], axis=1)
    source = array_source(samples, 48_000)
    used = joined_calibration([calibrated(48_000, 2.0, 1), calibrated(48_000, 0.3, 3)])
    listener = LevelListener(CalibratedSound(source, used))

    listener.take(1.0)
    levels_db = listener.take(1.0).levels_db

    assert levels_db == pytest.approx(10 * np.log10((1e6 + 1e5) / 2), abs=0.02)
    assert listener.kept_sound().samples.shape[1] == 2


@pytest.mark.parametrize(("channel", "counts"), [(None, True), (0, True), (1, False), (2, True)])
def test_a_fault_counts_in_the_channels_that_are_used(array_source, calibrated, channel, counts):
    """What is wrong with a microphone that is not used does not void what the others heard."""
    samples = np.stack([tone(48_000, 2.0, 0.01)] * 3, axis=1)
    source = array_source(samples, 48_000, faulty_s=[(0.52, 0.55)], faulty_channel=channel)
    used = joined_calibration([calibrated(48_000, 2.0, 1), calibrated(48_000, 2.0, 3)])

    valid = LevelListener(CalibratedSound(source, used)).take(1.0).valid

    assert list(np.flatnonzero(~valid)) == ([5] if counts else [])


def test_loudness_bands_of_several_channels(array_source, calibrated):
    """Bands are those of the mean energy: what one of two microphones hears is 3 dB less."""
    noise = np.random.default_rng(3).standard_normal(48_000 * 2) * 0.01
    calibration = joined_calibration([calibrated(48_000, 2.0, 1), calibrated(48_000, 2.0, 2)])

    def bands_db(*channels):
        source = array_source(np.stack(channels, axis=1), 48_000)
        listener = LevelListener(CalibratedSound(source, calibration), bands=True)
        return listener.take(2.0).bands_db[-1]

    assert bands_db(noise, 1e-6 * noise) == pytest.approx(bands_db(noise, noise) - 3.01, abs=0.02)


def test_the_calibrations_of_the_channels_that_are_used(array_source, calibrated):
    """Without a choice all channels have to be calibrated; a choice has to be there."""
    source = array_source(np.ones((10, 3)), 48_000)
    known = {channel: calibrated(48_000, channel, channel) for channel in (1, 3)}

    assert list(calibration_of(source, known, [3, 1, 3]).by_channel()) == [1, 3]
    assert calibration_of(source, known, [3]) == known[3]
    with pytest.raises(DocumentError, match=r"Channel 2 of array:test has no calibration.*--chan"):
        calibration_of(source, known)
    with pytest.raises(DocumentError, match="no channel 4; it has 3"):
        calibration_of(source, known, [1, 4])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"rate_hz": 44_100}, "44100 Hz"),
        ({"channel": 2}, "channel 2"),
        ({"accepted": False}, "refused"),
    ],
)
def test_a_calibration_for_something_else_is_refused(array_source, calibrated, change, words):
    """A calibration for another rate or channel, or a refused one, gives no level."""
    source = array_source(tone(48_000, 1.0, 0.01), 48_000)
    calibration = calibrated(48_000).model_copy(update=change)

    with pytest.raises(DocumentError, match=words):
        CalibratedSound(source, calibration)


def test_the_response_of_the_microphone_is_taken_out(array_source, calibrated):
    """A microphone that reads 4 dB too much at 250 Hz reads a tone there right once corrected."""
    time_s = np.arange(48_000 * 4) / 48_000
    samples = 0.01 * 10 ** (4 / 20) * np.sqrt(2) * np.sin(2 * np.pi * 250 * time_s)
    table = np.array([[f, 4.0 if f < 500 else 0.0] for f in (20, 31.5, 63, 125, 250, 500, 707)])
    table = np.vstack([table, [[f, 0.0] for f in (1000, 2000, 4000, 8000, 16000)]])
    response = microphone_response(table, calibrated_at_hz=1000.0)
    sound = CalibratedSound(array_source(samples, 48_000), calibrated(48_000, 1.0), response)

    listener = LevelListener(sound)
    listener.take(2.0)
    levels_db = listener.take(1.0).levels_db

    assert levels_db.mean() == pytest.approx(20 * np.log10(0.01 / 20e-6) - 8.68, abs=0.1)
