"""``evenhush excerpt``: passages to listen to, taken apart into a tone and the rest."""

import json

import jsonschema
import numpy as np
import pytest
import soundfile
from gliding_machine import RATE_HZ, gliding_machine

from acoustic.errors import SignalError
from acoustic.tone_filter import band_around
from service.documents.excerpt import ExcerptDocument

RECORD_HZ = 32_000


def heard(path):
    """Samples without the soft ends."""
    samples, rate_hz = soundfile.read(path)
    return samples[rate_hz : len(samples) - rate_hz]


def line_dbfs(samples, hz, rate_hz):
    """Level of a steady tone re full scale, by projection on a sine of that frequency."""
    turn = np.exp(-2j * np.pi * hz * np.arange(len(samples)) / rate_hz)
    return 20 * np.log10(np.abs(np.mean(samples * turn)) * np.sqrt(2))


def test_tone_and_rest_are_the_passage(evenhush, record, noise, tone, tmp_path):
    """Both parts have one gain, the tone keeps its level, and together they are the passage."""
    path = record("x.wav", noise(0.02, 6) + tone(0.05, 612.3, 6))
    names = [tmp_path / f"{name}.flac" for name in ("passage", "alone", "rest")]

    documents = [
        evenhush("excerpt", path, "--from", 1, "--to", 5, "--out", out, *words, "--json").json
        for out, words in zip(
            names,
            [(), ("--tone-hz", 612.3, "--alone"), ("--tone-hz", 612.3, "--without")],
            strict=True,
        )
    ]
    passage, alone, rest = (heard(name) for name in names)

    assert len({each["gain_db"] for each in documents}) == 1
    assert alone + rest == pytest.approx(passage, abs=2e-6)  # three times rounded to 24 bits
    true_dbfs = 20 * np.log10(0.05) + documents[0]["gain_db"]
    assert line_dbfs(alone, 612.3, RECORD_HZ) == pytest.approx(true_dbfs, abs=0.05)
    assert line_dbfs(rest, 612.3, RECORD_HZ) < true_dbfs - 30.0
    assert documents[0]["passage_LAeq_dbfs"] == pytest.approx(-32.0, abs=0.05)
    schema = ExcerptDocument.model_json_schema(by_alias=True, mode="serialization")
    jsonschema.validate(documents[1], schema)
    assert json.loads(names[1].with_suffix(".json").read_text("utf-8")) == documents[1]


def test_a_passage_is_never_loud(evenhush, record, noise, tmp_path):
    """A recording near full scale is lowered, one of clicks stays far below it, ends are soft."""
    loud = record("loud.wav", np.clip(noise(0.4, 3), -0.99, 0.99))
    clicks = np.zeros(3 * RECORD_HZ)
    clicks[::8000] = 0.9
    out = tmp_path / "o.wav"

    for path in (loud, record("clicks.wav", clicks)):
        document = evenhush("excerpt", path, "--out", out, "--json").json
        samples, _ = soundfile.read(out)
        assert np.abs(samples).max() <= 10 ** (-9.0 / 20) + 1e-6
        assert document["passage_LAeq_dbfs"] <= -31.9
        assert np.abs(samples[:100]).max() < 1e-4
    ended = evenhush("excerpt", loud, "--out", out)
    assert "Turn the volume down before playing it" in ended.err


def test_excerpts_with_one_full_scale_keep_their_difference(evenhush, record, noise, tmp_path):
    """Two recordings 6 dB apart are 6 dB apart when full scale stands for the same level."""
    paths = [record("a.wav", noise(0.01, 3)), record("b.wav", noise(0.02, 3))]
    words = ("--pascal-per-unit", 2, "--full-scale-db", 90, "--json")
    levels = [
        evenhush("excerpt", path, "--out", tmp_path / f"o{path.name}", *words).json
        for path in paths
    ]

    assert levels[1]["LAeq_dbfs"] - levels[0]["LAeq_dbfs"] == pytest.approx(6.0, abs=0.15)
    # 0.02 Pa of white noise up to 16 kHz: its A-weighted level is within 3 dB of 60 dB.
    assert levels[0]["LAeq_db"] == pytest.approx(60.0, abs=3.0)
    assert levels[0]["LAeq_db"] - levels[0]["LAeq_dbfs"] == pytest.approx(90.0, abs=0.02)
    too_loud = evenhush(
        "excerpt", paths[1], "--out", tmp_path / "o.wav", *words[:2], "--full-scale-db", 70
    )
    assert "too near to it to be played safely; use at least" in too_loud.sentence
    assert not (tmp_path / "o.wav").exists()


def test_an_order_is_heard_alone_while_it_glides(evenhush, record, tmp_path):
    """Order 7 through 10 % of speed a second: alone it has its level, without it it is gone."""
    glide = gliding_machine(rate_per_s=0.1, orders={7: 60.0, 14: 50.0}, noise_db=0.0)
    path = record("x.wav", glide.samples, RATE_HZ)
    table = tmp_path / "speeds.csv"
    rows = zip(glide.read.time_s, glide.read.rpm, strict=True)
    table.write_text("time_s,fan_rpm\n" + "".join(f"{t:.2f},{v:.0f}\n" for t, v in rows), "utf-8")
    words = ("--from", 5, "--to", 11, "--order", 7, "--speeds", table, "--json")
    alone, rest = tmp_path / "alone.wav", tmp_path / "rest.wav"

    document = evenhush("excerpt", path, "--out", alone, "--alone", *words).json
    evenhush("excerpt", path, "--out", rest, "--without", *words)

    gain = 10 ** (document["gain_db"] / 20)
    true = 20e-6 * 10 ** (60 / 20) * gain
    assert np.sqrt(np.mean(heard(alone) ** 2)) == pytest.approx(true, rel=0.06)  # 0.5 dB
    # What is left is order 14, ten decibels lower, and noise.
    assert np.sqrt(np.mean(heard(rest) ** 2)) < 0.45 * true
    assert (document["order"], document["rotor"]) == (7, "fan")


def test_what_cannot_be_heard_is_one_sentence(evenhush, record, noise, tmp_path):
    """Options that contradict one another, and passages too long or silent, are refused."""
    path, out = record("x.wav", noise(0.01, 3)), tmp_path / "o.wav"
    silent = record("s.wav", np.zeros(3 * RECORD_HZ))
    long = record("l.wav", np.zeros(130 * 8000) + 1e-3, 8000)

    def said(*words, file=path, to=out):
        return evenhush("excerpt", file, "--out", to, *words).sentence

    assert "hear them --alone, or --without them" in said("--tone-hz", 500)
    assert "Say which tones" in said("--alone")
    assert "either --alone or --without" in said("--alone", "--without", "--tone-hz", 500)
    assert "either tones with --tone-hz or an order" in said("--tone-hz", 500, "--order", 7)
    assert "between 20 and 20000 Hz" in said("--tone-hz", 5, "--alone")
    assert "does not fit between 0 Hz" in said("--tone-hz", 15_999, "--alone")
    assert "No speed over time is known" in said("--order", 7, "--alone")
    assert "so its full scale stands for no level" in said("--full-scale-db", 90)
    assert "let it end in .wav or .flac" in said(to=tmp_path / "o.mp3")
    assert "in the place of the recording" in said(to=path)
    assert "is silent in this passage" in said(file=silent)
    assert "lasts from 0.5 to 120 s, not 130.0 s" in said(file=long)
    assert not out.exists()


def test_a_band_below_0_hz_is_refused():
    """A band that reaches below 0 Hz is none."""
    with pytest.raises(SignalError, match="does not fit between 0 Hz"):
        band_around(np.ones((1000, 1)), 8000.0, 6.0, half_width_hz=5.0)
