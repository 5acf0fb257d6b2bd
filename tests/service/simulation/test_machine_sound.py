from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from spectral_levels import band_level_db, laeq_db, level_db, sum_db

from service.simulation.catalogue import COOLERS
from service.simulation.machine import Machine, Resonance, Tone
from service.simulation.machine_sound import MachineSound
from service.simulation.rotor import RotorLaw
from service.simulation.spectrum import NoiseShape
from service.simulation.truth import machine_level_db, machine_tones

RATE_HZ, FRAMES = 48_000, 2400
SILENT = -200.0
FAN = Machine(
    role="fan",
    law=RotorLaw(full_rpm=2000.0, time_constant_s=1.0),
    level_db=45.0,
    decade_db=55.0,
    shape=NoiseShape(60.0, (350.0, 2600.0)),
    tones=(Tone(9, 38.0), Tone(18, 30.0)),
)


def sound_of(machine, speeds_rpm, seed=1):
    """Return the sound while the speed goes through `speeds_rpm`, one each step."""
    sound = MachineSound(machine, FRAMES, RATE_HZ, np.random.default_rng(seed))
    return np.concatenate([sound.render(pair, sound.step()) for pair in pairwise(speeds_rpm)])


@pytest.mark.parametrize("rpm", [2000.0, 1265.0, 640.0])
def test_level_is_the_true_one_at_every_speed(rpm):
    """What is heard at a held speed has the level that the closed form gives."""
    sound = sound_of(FAN, [rpm] * 1201)

    # 0.05 dB: three times the scatter of a minute of noise about 1 kHz wide.
    assert laeq_db(sound, RATE_HZ) == pytest.approx(machine_level_db(FAN, rpm), abs=0.05)


def test_broadband_level_follows_the_law():
    """Without tones, half the speed is 55 lg 2 dB quieter."""
    plain = replace(FAN, tones=())

    fall_db = machine_level_db(plain, 2000.0) - machine_level_db(plain, 1000.0)

    assert machine_level_db(plain, 2000.0) == pytest.approx(45.0)
    assert fall_db == pytest.approx(55.0 * np.log10(2.0))


def test_resonance_lifts_at_its_speed_only():
    """A resonance of 3 dB over 4 % adds 3 dB at its top, 1.8 dB one width away, 0 far off."""
    ringing = replace(FAN, resonances=(Resonance(1000.0, 3.0, 4.0),))

    lifts_db = [
        machine_level_db(ringing, rpm) - machine_level_db(FAN, rpm)
        for rpm in (1000.0, 1040.0, 1500.0)
    ]

    assert lifts_db == pytest.approx([3.0, 3.0 * np.exp(-0.5), 0.0], abs=1e-6)


def test_tones_stand_at_the_orders_with_their_level():
    """The blade-pass tone and its harmonic are heard where and as loud as the truth says."""
    rpm = 1600.0
    sound = sound_of(replace(FAN, level_db=SILENT), [rpm] * 401)

    assert [frequency_hz for frequency_hz, _ in machine_tones(FAN, rpm)] == [240.0, 480.0]
    for frequency_hz, tone_db in machine_tones(FAN, rpm):
        heard_db = band_level_db(sound, RATE_HZ, 1.0, frequency_hz - 2.0, frequency_hz + 2.0)

        assert tone_db == pytest.approx(
            {240.0: 38.0, 480.0: 30.0}[frequency_hz] + 55.0 * np.log10(0.8)
        )
        assert heard_db == pytest.approx(tone_db, abs=0.01)


def test_tone_glides_with_the_speed_without_a_jump():
    """While the speed changes the tone's frequency follows it, across the borders of steps."""
    tonal = replace(FAN, level_db=SILENT, decade_db=0.0, tones=(Tone(9, 40.0),))
    speeds_rpm = np.linspace(1000.0, 1600.0, 41)
    sound = sound_of(tonal, list(speeds_rpm))

    # Phase of the analytic signal, away from the ends where the transform rings.
    spectrum = np.fft.fft(sound)
    spectrum[len(spectrum) // 2 :] = 0.0
    phase = np.unwrap(np.angle(np.fft.ifft(spectrum)))
    inner = slice(RATE_HZ // 5, -RATE_HZ // 5)
    frequency_hz = np.diff(phase) * RATE_HZ / (2.0 * np.pi)
    expected_hz = (
        9 / 60 * np.interp(np.arange(len(frequency_hz)), np.arange(41) * FRAMES, speeds_rpm)
    )

    assert np.abs(frequency_hz - expected_hz)[inner].max() < 1.0


def test_twin_fans_beat():
    """Two tones 2 Hz apart swell and fade twice a second."""
    twin = replace(FAN, level_db=SILENT, decade_db=0.0, tones=(Tone(9, 40.0),))
    twin = replace(twin, speed_ratios=(1.0, 1.0 - 2.0 * 60.0 / 9.0 / 1200.0))
    sound = sound_of(twin, [1200.0] * 401)

    power = (sound**2).reshape(-1, FRAMES // 2).mean(axis=1)  # 25 ms each
    swell = np.abs(np.fft.rfft(power))
    rate_hz = np.fft.rfftfreq(len(power), FRAMES / 2 / RATE_HZ)

    assert rate_hz[1:][np.argmax(swell[1:])] == pytest.approx(2.0, abs=0.06)
    assert level_db(power.max()) - level_db(power.min()) > 15.0
    assert level_db(np.mean(sound**2)) == pytest.approx(sum_db(40.0, 40.0), abs=0.02)


def test_hunting_leaves_the_mean_energy_alone():
    """The level hunts by as much as asked, and its long-time energy is that of no hunting."""
    restless = replace(FAN, hunting_db=0.4, hunting_s=1.0)
    sound = MachineSound(restless, FRAMES, RATE_HZ, np.random.default_rng(2))
    deviations_db = np.array([sound.step()[1] for _ in range(100_000)])

    assert deviations_db.std() == pytest.approx(0.4, rel=0.05)
    assert 10.0 * np.log10(np.mean(10.0 ** (deviations_db / 10.0))) == pytest.approx(0.0, abs=0.03)


def test_a_fan_at_rest_is_silent():
    """At no speed there is neither noise nor tone, and no level."""
    assert not sound_of(FAN, [0.0, 0.0, 0.0]).any()
    assert machine_level_db(FAN, 0.0) == -np.inf
    assert machine_tones(FAN, 0.0) == ()


def test_whiny_pump_stands_out_of_its_noise():
    """The whine of the loop is its loudest tone, more than 8 dB above its critical band."""
    pump = COOLERS["Estuary 360"].machines["pump"]
    rpm = pump.law.turning_rpm(90.0)
    whine_hz, whine_db = max(machine_tones(pump, rpm), key=lambda tone: tone[1])
    sound = sound_of(replace(pump, tones=()), [rpm] * 401)
    width_hz = 25.0 + 75.0 * (1.0 + 1.4 * (whine_hz / 1000.0) ** 2) ** 0.69

    band_db = band_level_db(
        sound, RATE_HZ, 1.0, whine_hz - width_hz / 2.0, whine_hz + width_hz / 2.0
    )

    assert whine_db - band_db > 8.0
