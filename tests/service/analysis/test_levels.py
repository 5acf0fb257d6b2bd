"""Figures of an analysis against closed forms and one Fourier transform of the whole."""

import json
from pathlib import Path

import numpy as np
import pytest
from spectral_levels import band_level_db, laeq_db, level_db, power_spectrum_pa2, sum_db

RECORDINGS = Path(__file__).parents[3] / "recordings"


def tone(frequency_hz, rms, seconds, rate_hz=48_000):
    """A tone of one channel, starting at zero."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.sqrt(2) * rms * np.sin(2 * np.pi * frequency_hz * time_s)


def lceq_db(samples, rate_hz, pascal_per_unit):
    """Return the C-weighted equivalent level, by the definition of the weighting."""
    frequency_hz, power = power_spectrum_pa2(samples, rate_hz, pascal_per_unit)

    def response(frequency):
        square = np.asarray(frequency, dtype=float) ** 2
        return square / (square + 20.6**2) / (square + 12194.0**2)

    return level_db(np.sum(power * (response(frequency_hz) / response(1000.0)) ** 2))


@pytest.mark.parametrize("rate_hz", [8000, 11_025, 22_050, 32_000, 44_100, 48_000, 96_000, 192_000])
def test_noise_and_tone_at_every_rate(analyse, record, noise, rate_hz):
    """Equivalent levels and bands are those of the Fourier transform, whatever the rate."""
    seconds = 12 if rate_hz < 90_000 else 4
    samples = noise(0.01, seconds * rate_hz)[:, 0] + tone(1000, 0.003, seconds, rate_hz)
    found = analyse(record("x.wav", samples, rate_hz), "--pascal-per-unit", 6.4)

    levels = found["levels"]
    assert levels["LAeq_db"] == pytest.approx(laeq_db(samples, rate_hz, 6.4), abs=0.03)
    assert levels["LCeq_db"] == pytest.approx(lceq_db(samples, rate_hz, 6.4), abs=0.03)
    assert levels["LZeq_db"] == pytest.approx(level_db(np.mean((6.4 * samples) ** 2)), abs=0.02)
    assert levels["LAE_db"] == pytest.approx(levels["LAeq_db"] + 10 * np.log10(seconds), abs=0.01)
    octaves = found["third_octaves"]
    bands = dict(zip(octaves["nominal_hz"], octaves["LZeq_db"], strict=True))
    for nominal_hz, exact_hz in ((1000, 1000.0), (2000, 1000 * 10**0.3)):
        edges_hz = exact_hz * 10 ** np.array([-0.05, 0.05])
        # Skirts and the few degrees of freedom of noise in a band.
        assert bands[nominal_hz] == pytest.approx(
            band_level_db(samples, rate_hz, 6.4, *edges_hz), abs=0.1
        )
    assert max(bands) * 10**0.05 < rate_hz / 2
    assert (found["loudness"] is None) == (rate_hz < 32_000)


def test_a_steady_tone_has_closed_forms(analyse, record):
    """1 Pa at 1 kHz reads 93.98 dB by every weighting, 3.01 dB more at its peak."""
    found = analyse(record("tone.wav", tone(1000, 0.1, 20)), "--pascal-per-unit", 10)

    for name in ("LAeq", "LCeq", "LZeq", "LAFmax", "LASmax", "LA10", "LA50", "LA90"):
        assert found["levels"][f"{name}_db"] == pytest.approx(93.979, abs=0.02), name
    for name in ("LAFmin", "LASmin"):
        # After five time constants F and S still lack exp(-5): 0.03 dB.
        assert found["levels"][f"{name}_db"] == pytest.approx(93.979, abs=0.05), name
    assert found["levels"]["LAE_db"] == pytest.approx(93.979 + 13.010, abs=0.02)
    # The onset overshoots the high-pass of the weighting a little.
    assert 96.98 < found["levels"]["LCpeak_db"] < 97.4
    bands = found["third_octaves"]
    at = bands["nominal_hz"].index(1000)
    assert bands["LZeq_db"][at] == pytest.approx(93.979, abs=0.01)
    assert bands["LAeq_db"][at] == pytest.approx(93.979, abs=0.01)
    (only,) = found["tones"]
    assert only["frequency_hz"] == pytest.approx(1000, abs=0.05)
    assert only["level_db"] == pytest.approx(93.98, abs=0.02)
    assert only["prominent"] is True


@pytest.mark.parametrize(("frequency_hz", "A_db", "C_db"), [(100, -19.1, -0.3), (8000, -1.1, -3.0)])
def test_weightings_at_tabulated_frequencies(analyse, record, frequency_hz, A_db, C_db):
    """Away from 1 kHz a tone reads what the table of the weightings says."""
    levels = analyse(record("tone.wav", tone(frequency_hz, 0.1, 8)), "--pascal-per-unit", 10)[
        "levels"
    ]

    # The table is rounded to 0.1 dB, and made for the exact frequencies.
    assert levels["LAeq_db"] - levels["LZeq_db"] == pytest.approx(A_db, abs=0.06)
    assert levels["LCeq_db"] - levels["LZeq_db"] == pytest.approx(C_db, abs=0.06)


def test_time_weightings_rise_as_they_must(analyse, record):
    """A toneburst of 200 ms at 4 kHz reads 1.0 dB below its level in F, 7.4 dB in S."""
    samples = np.concatenate([np.zeros(48_000), tone(4000, 0.1, 0.2), np.zeros(48_000)])
    levels = analyse(record("burst.wav", samples), "--pascal-per-unit", 10)["levels"]

    A_db = level_db(1.0) + 0.96  # the A-weighting at 4 kHz
    assert levels["LAFmax_db"] == pytest.approx(A_db - 1.0, abs=0.1)
    assert levels["LASmax_db"] == pytest.approx(A_db - 7.4, abs=0.1)
    assert levels["LAE_db"] == pytest.approx(A_db - 7.0, abs=0.1)


def test_percentiles_are_levels_exceeded(analyse, record):
    """Loud for a fifth of the time: LA10 is the loud level, LA50 and LA90 the quiet one."""
    samples = np.concatenate([tone(1000, 0.001, 16), tone(1000, 0.1, 4)])
    levels = analyse(record("x.wav", samples), "--pascal-per-unit", 10)["levels"]

    assert levels["LA10_db"] == pytest.approx(93.979, abs=0.03)
    assert levels["LA50_db"] == pytest.approx(53.979, abs=0.03)
    assert levels["LA90_db"] == pytest.approx(53.979, abs=0.03)
    assert levels["LAeq_db"] == pytest.approx(93.979 + 10 * np.log10(0.2), abs=0.03)


def test_full_scale_is_a_root_mean_square_of_one(analyse, record):
    """Without a calibration a sine of amplitude 1 reads -3.01 dB re full scale, by other names."""
    found = analyse(record("tone.wav", tone(1000, 1 / np.sqrt(2), 10)))

    assert found["calibrated"] is False
    assert found["loudness"] is None
    assert found["levels"]["LAeq_dbfs"] == pytest.approx(-3.010, abs=0.02)
    assert found["levels"]["LCpeak_dbfs"] == pytest.approx(0.0, abs=0.4)
    at = found["third_octaves"]["nominal_hz"].index(1000)
    assert found["third_octaves"]["LZeq_dbfs"][at] == pytest.approx(-3.010, abs=0.02)
    assert found["tones"][0]["level_dbfs"] == pytest.approx(-3.01, abs=0.02)
    # Ratios are ratios, calibrated or not; nothing else may look like a sound pressure level.
    names = {*found["levels"], *found["third_octaves"], *found["tones"][0]}
    assert {name for name in names if name.endswith("_db")} == {
        "tone_to_noise_ratio_db",
        "prominence_ratio_db",
    }


def test_a_tone_in_noise_stands_out_by_the_right_ratio(analyse, record, noise):
    """The tone-to-noise ratio is the tone over the noise in its critical band of 162.2 Hz."""
    samples = noise(0.01, 48_000 * 30)[:, 0] + tone(1000, 0.003, 30)
    found = analyse(record("x.flac", samples, subtype="PCM_24"), "--pascal-per-unit", 6.4)

    density = 0.01**2 / 24_000
    (only,) = [tone for tone in found["tones"] if abs(tone["frequency_hz"] - 1000) < 1]
    assert only["level_db"] == pytest.approx(level_db((6.4 * 0.003) ** 2), abs=0.2)
    assert only["tone_to_noise_ratio_db"] == pytest.approx(
        10 * np.log10(0.003**2 / (density * 162.2)), abs=0.4
    )
    assert only["prominent"] is True


def test_loudness_is_that_of_the_standard(analyse, record):
    """1 kHz at 60 dB has the 4.019 sone that the standard prints, within its 5 %."""
    path = record("tone.wav", tone(1000, 0.02, 4))
    free = analyse(path, "--pascal-per-unit", 1)["loudness"]
    diffuse = analyse(path, "--pascal-per-unit", 1, "--field", "diffuse")["loudness"]

    assert free["field"] == "free"
    assert free["N_sone"] == pytest.approx(4.019, rel=0.05)
    assert free["LN_phon"] == pytest.approx(40 + 10 * np.log2(free["N_sone"]), abs=0.01)
    assert diffuse["field"] == "diffuse"
    assert diffuse["N_sone"] != free["N_sone"]


@pytest.mark.parametrize(
    ("name", "coding"),
    [
        ("x.wav", {"subtype": "PCM_16"}),
        ("x.wav", {"subtype": "PCM_24"}),
        ("x.wav", {"subtype": "DOUBLE"}),
        ("x.wav", {"subtype": "PCM_24", "format": "RF64"}),
        ("x.flac", {"subtype": "PCM_24"}),
        ("x.aiff", {"subtype": "PCM_16"}),
        ("x.ogg", {"subtype": "VORBIS"}),
    ],
)
def test_every_kind_of_file(analyse, record, noise, name, coding):
    """The kind of file changes nothing; only compression with loss is warned of."""
    samples = noise(0.05, 48_000 * 9)
    found = analyse(record(name, samples, **coding), "--pascal-per-unit", 1)

    lossy = coding["subtype"] == "VORBIS"
    assert found["levels"]["LAeq_db"] == pytest.approx(
        laeq_db(samples, 48_000), abs=0.5 if lossy else 0.03
    )
    assert ["with loss" in text for text in found["warnings"]] == [True] * lossy


@pytest.mark.parametrize("recording", sorted(RECORDINGS.glob("*.flac")), ids=lambda p: p.stem)
def test_demo_recordings_have_the_level_of_their_sidecars(analyse, recording):
    """The recordings that come along read what their sidecars say."""
    truth = json.loads(recording.with_suffix(".json").read_text(encoding="utf-8"))
    found = analyse(recording, "--pascal-per-unit", truth["pascal_per_unit"])

    assert found["levels"]["LAeq_db"] == pytest.approx(truth["LAeq_db"], abs=0.1)


def test_channels_average_as_energy(analyse, record, noise):
    """Levels are the energy average over channels, and each channel is there by itself."""
    samples = noise(1.0, 48_000 * 9, channels=3) * [0.1, 0.01, 0.03]
    found = analyse(record("x.wav", samples), "--pascal-per-unit", 2)

    each = [laeq_db(samples[:, channel], 48_000, 2) for channel in range(3)]
    assert found["channels"] == 3
    assert found["levels"]["LAeq_db"] == pytest.approx(sum_db(*each) - 10 * np.log10(3), abs=0.03)
    assert [part["channel"] for part in found["per_channel"]] == [1, 2, 3]
    for part, expected_db in zip(found["per_channel"], each, strict=True):
        assert part["levels"]["LAeq_db"] == pytest.approx(expected_db, abs=0.03)
        assert part["loudness"]["N_sone"] > 0
        assert len(part["third_octaves"]["LZeq_db"]) == 31


def test_a_silent_channel_is_left_out_of_the_average(analyse, record, noise):
    """A dead channel has no levels, does not pull the average down, and is warned of."""
    samples = noise(0.1, 48_000 * 9, channels=2) * [1.0, 0.0]
    found = analyse(record("x.wav", samples), "--pascal-per-unit", 2)

    assert found["levels"] == found["per_channel"][0]["levels"]
    assert set(found["per_channel"][1]["levels"].values()) == {None}
    assert found["per_channel"][1]["loudness"] is None
    assert found["warnings"] == [
        "Channel 2 is silent and is left out of the average over channels."
    ]


def test_one_channel_has_no_list_of_channels(analyse, record, noise):
    """A recording of one channel says everything once."""
    found = analyse(record("x.wav", noise(0.1, 48_000)))

    assert "per_channel" not in found
    assert next(iter(found)) == "schema"
    assert found["schema"] == "evenhush.analysis/1"


def test_an_offset_of_the_converter_is_no_sound(analyse, record, noise):
    """A constant added to quiet noise changes no level, though its onset would be a bang."""
    samples = noise(1e-4, 48_000 * 9)
    plain = analyse(record("plain.wav", samples))
    shifted = analyse(record("shifted.wav", samples + 0.05))

    for name, level in plain["levels"].items():
        assert shifted["levels"][name] == pytest.approx(level, abs=0.02), name


def test_a_part_is_what_a_cut_recording_is(analyse, record, noise):
    """From and to choose the frames that cutting the file would choose."""
    samples = noise(0.01, 44_100 * 12) * np.linspace(0.1, 1, 44_100 * 12)[:, None]
    whole, cut = (
        record("whole.wav", samples, 44_100),
        record("cut.wav", samples[11_025 : 44_100 * 9], 44_100),
    )
    part = analyse(whole, "--from", 0.25, "--to", 9)
    alone = analyse(cut)

    assert (part["start_s"], part["duration_s"]) == (0.25, 8.75)
    assert (alone["start_s"], alone["duration_s"]) == (0.0, 8.75)
    for name in ("levels", "third_octaves", "tones"):
        assert part[name] == alone[name]
