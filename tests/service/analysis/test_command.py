"""The command: several recordings, what a person sees, warnings."""

import sys

import jsonschema
import numpy as np
import pytest


def tone(frequency_hz, rms, seconds=9, rate_hz=48_000):
    """A tone of one channel."""
    time_s = np.arange(seconds * rate_hz) / rate_hz
    return np.sqrt(2) * rms * np.sin(2 * np.pi * frequency_hz * time_s)


def test_several_recordings_in_the_order_given(analyse, record, noise):
    """Recordings of unlike length and rate are answered in the order given, the same as alone."""
    paths = [
        record(f"{number}.flac", noise(0.01 * (number + 1), seconds * rate_hz), rate_hz, "PCM_24")
        for number, (seconds, rate_hz) in enumerate([(20, 48_000), (2, 44_100), (9, 96_000)])
    ]
    paths.append(paths[1])
    together = analyse(*paths, "--pascal-per-unit", 2)

    assert isinstance(together, list)
    assert [document["file"] for document in together] == [str(path) for path in paths]
    assert together[3] == together[1] == analyse(paths[1], "--pascal-per-unit", 2)


@pytest.mark.parametrize("channels", [1, 2])
def test_documents_follow_their_published_schema(evenhush, analyse, record, noise, channels):
    """Both forms are valid by the schema that is printed for them, and not by the other's."""
    path = record("x.wav", noise(0.1, 48_000 * 3, channels=channels))
    found = {
        "analysis": analyse(path, "--pascal-per-unit", 2),
        "uncalibrated-analysis": analyse(path),
    }
    schemas = {name: evenhush("schema", name).json for name in found}

    for name, document in found.items():
        jsonschema.validate(document, schemas[name])
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found["analysis"], schemas["uncalibrated-analysis"])
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found["uncalibrated-analysis"], schemas["analysis"])


def test_one_bad_recording_refuses_all(refusal, record, noise, tmp_path):
    """Nothing is answered when one of them cannot be used, and the first such is named."""
    good = record("good.wav", noise(0.1, 48_000))
    silent = record("silent.wav", np.zeros(48_000))

    assert "gone.wav" in refusal(silent, good, tmp_path / "gone.wav", tmp_path / "away.wav")
    assert "silent.wav" in refusal(good, silent, good)


def test_what_a_person_sees(evenhush, record, noise):
    """Without --json the levels, bands, tones and loudness are printed with their unit."""
    samples = noise(0.01, 48_000 * 9)[:, 0] + tone(1000, 0.01)
    path = record("x.wav", samples)
    calibrated = evenhush("analyse", path, "--pascal-per-unit", 2)
    plain = evenhush("analyse", path)

    assert calibrated.code == plain.code == 0
    assert "tone at 1000.0 Hz" in calibrated.out
    assert "sone" in calibrated.out
    assert "re full scale" not in calibrated.out
    assert "re full scale" in plain.out
    assert "sone" not in plain.out
    assert calibrated.err == plain.err == ""


def test_a_bar_only_where_somebody_watches(evenhush, record, noise, monkeypatch):
    """A terminal gets a progress bar on standard error, anything else does not."""
    path = record("x.wav", noise(0.01, 48_000 * 9))
    quiet = evenhush("analyse", path, "--json")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "200")  # room for a bar behind any path
    watched = evenhush("analyse", path, "--json")

    assert quiet.err == ""
    assert "%" in watched.err
    assert watched.json == quiet.json


@pytest.mark.parametrize(
    ("samples", "said"),
    [
        (tone(50, 0.1) + tone(1000, 0.001), "low-frequency content: LCeq is 2"),
        (tone(500, 0.1) + tone(3000, 0.05), "2 prominent tones, the strongest at 500 Hz, 3000 Hz"),
        (np.concatenate([tone(1000, 0.1, 4), tone(1000, 0.01, 5)]), "swings by 20 dB"),
        (tone(1000, 0.1, 4), "Only 4.0 s were analysed"),
        (tone(1000, 0.1, 4), "too short for LASmin:"),
        (tone(1000, 0.1, 1), "no tones were looked for"),
        (tone(1000, 0.1, 1)[:24_000], "neither tones nor loudness"),
        (tone(1000, 0.1, 1)[:24_000], "LAFmin, LASmin, LA10, LA50, LA90:"),
    ],
)
def test_warnings_in_words(analyse, record, samples, said):
    """What limits the levels is said."""
    found = analyse(record("x.wav", samples))

    assert any(said in text for text in found["warnings"]), found["warnings"]
    assert all(text.endswith(".") for text in found["warnings"])


def test_what_is_too_short_is_null(analyse, record):
    """Minima and percentiles of half a second are null rather than made up."""
    levels = analyse(record("x.wav", tone(1000, 0.1, 1)[:24_000]))["levels"]

    assert [name for name, level in levels.items() if level is None] == [
        f"{name}_dbfs" for name in ("LAFmin", "LASmin", "LA10", "LA50", "LA90")
    ]


def test_a_low_rate_is_warned_of(analyse, record, noise):
    """At 8 kHz nothing above 4 kHz can be in the levels, and there is no loudness."""
    found = analyse(record("x.wav", noise(0.1, 8000 * 9), 8000), "--pascal-per-unit", 1)

    assert found["loudness"] is None
    assert any("one-third octave of 3150 Hz" in text for text in found["warnings"])
    assert any("at least 32 kHz" in text for text in found["warnings"])


def test_steady_broadband_sound_has_no_warnings(analyse, record, noise):
    """Where there is nothing to say, nothing is said."""
    assert analyse(record("x.wav", noise(0.1, 48_000 * 9)))["warnings"] == []
