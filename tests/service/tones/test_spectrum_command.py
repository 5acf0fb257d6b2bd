"""``evenhush spectrum`` on recordings whose truth is known."""

import csv
from datetime import UTC, datetime
from itertools import pairwise

import jsonschema
import numpy as np
import pytest

from service.documents.spectra import SpectrumDocument

RATE_HZ = 32_000


def bands_of(part, name="level_dbfs"):
    """Frequencies and levels of the bands, those that are known."""
    pairs = zip(part["bands"]["frequency_hz"], part["bands"][name], strict=True)
    return {hz: level for hz, level in pairs if level is not None and hz > 60}


def test_one_recording_has_its_level_bands_and_tones(evenhush, record, noise, tone):
    """White noise and a tone give the level of both, bands of their width, and the tone."""
    path = record("x.wav", noise(0.01, 12) + tone(0.003, 1000, 12))
    ended = evenhush("spectrum", path, "--json")
    (part,) = ended.json["recordings"]
    (found,) = part["tones"]

    assert found["frequency_hz"] == pytest.approx(1000, abs=0.1)
    assert found["level_dbfs"] == pytest.approx(20 * np.log10(0.003), abs=0.2)
    assert found["level_db"] is None
    assert found["prominent"]
    assert part["LAeq_db"] is None
    assert part["used_s"] == pytest.approx(12, abs=0.1)
    density_db = 20 * np.log10(0.01) - 10 * np.log10(RATE_HZ / 2)
    for hz, level in bands_of(part).items():
        # Away from the tone; noise of 12 s scatters by less than 1 dB there.
        if 5000 < hz < 15_000:
            assert level == pytest.approx(density_db + 10 * np.log10(hz * 0.05757), abs=0.5)
    schema = SpectrumDocument.model_json_schema(by_alias=True, mode="serialization")
    jsonschema.validate(ended.json, schema)


def test_a_calibration_makes_sound_pressure_levels(evenhush, record, tone):
    """With a factor of 2 Pa a tone of root mean square 0.5 is one of 1 Pa: 93.98 dB."""
    path = record("x.wav", tone(0.5, 1000, 4))
    (part,) = evenhush("spectrum", path, "--pascal-per-unit", 2, "--json").json["recordings"]

    assert part["LAeq_db"] == pytest.approx(93.98, abs=0.02)
    assert part["LAeq_dbfs"] is None
    assert part["tones"][0]["level_db"] == pytest.approx(93.98, abs=0.05)


def test_the_room_is_taken_out(evenhush, record, noise, tone):
    """A cooler 6 dB over the room reads its own level, and the hum of the room is named so."""
    hum = tone(0.004, 200, 20)
    room = record("room.wav", noise(0.01, 20, seed=5) + hum)
    both = noise(0.01, 20, seed=6) + noise(0.02, 20, seed=7) + hum + tone(0.01, 1500, 20)
    ended = evenhush("spectrum", record("x.wav", both), "--room", room, "--json")
    (part,) = ended.json["recordings"]
    alone = bands_of(part, "alone_dbfs")

    assert [each["in_room"] for each in part["tones"]] == [True, False]
    # White noise of 0.02 and the tone, A-weighted; at 1.5 kHz by +1.0 dB.
    own = evenhush(
        "analyse", record("own.wav", noise(0.02, 20, 7) + tone(0.01, 1500, 20)), "--json"
    )
    assert part["alone_LAeq_dbfs"] == pytest.approx(own.json["levels"]["LAeq_dbfs"], abs=0.15)
    assert part["alone_is_bound"] is False
    density_db = 20 * np.log10(0.02) - 10 * np.log10(RATE_HZ / 2)
    for hz, level in alone.items():
        if 5000 < hz < 15_000:
            assert level == pytest.approx(density_db + 10 * np.log10(hz * 0.05757), abs=0.8)


def test_a_room_too_near_only_bounds(evenhush, record, noise):
    """Where the room is within 3 dB, bands are unknown and the level is at most."""
    room, near = record("room.wav", noise(0.01, 8, 1)), record("x.wav", noise(0.011, 8, 2))
    ended = evenhush("spectrum", near, near, "--room", room)

    assert "without the room at most" in ended.out
    assert "no interval" in ended.out


def test_differences_are_what_was_changed(evenhush, record, noise, tone):
    """3 dB more noise and another tone: level, bands and tones say so, within their intervals."""
    first = record("a.wav", noise(0.01, 20, 1) + tone(0.004, 1000, 20))
    second = record("b.wav", 1.41254 * noise(0.01, 20, 2) + tone(0.008, 1010, 20))
    third = record("c.wav", noise(0.01, 20, 3) + tone(0.004, 2500, 20))
    document = evenhush("spectrum", first, second, third, "--json").json
    louder, other = document["differences"]

    bands = [
        (value, U95)
        for hz, value, U95 in zip(
            louder["frequency_hz"], louder["difference_db"], louder["band_U95_db"], strict=True
        )
        if value is not None and hz > 1200
    ]
    assert len(bands) > 40
    assert np.mean([abs(value - 3.0) < U95 for value, U95 in bands]) > 0.9
    (pair,) = louder["tones"]
    assert pair["level_difference_db"] == pytest.approx(6.02, abs=0.2)
    assert [(each["first_hz"] is None, each["second_hz"] is None) for each in other["tones"]] == [
        (False, True),
        (True, False),
    ]
    names = {row["component"]: row["contribution_db"] for row in louder["budget"]}
    # The same factor on both sides: what the microphone does to one it does to the other.
    assert names["response and field"] == names["calibration"] == 0.0
    assert names["drift, first"] > 0.0


def test_months_apart_only_a_shared_calibration_cancels(evenhush, record, noise, kept_beside):
    """The same cooler with a new calibration is compared less surely, and the reason is said."""
    old = kept_beside(record("old.wav", noise(0.01, 10, 1)))
    same = kept_beside(record("same.wav", noise(0.01, 10, 2)))
    new = kept_beside(record("new.wav", noise(0.01, 10, 3)), calibrated="2026-06-05T08:00:00Z")
    shared, other = evenhush("spectrum", old, same, new, "--json").json["differences"]

    assert other["U95_db"] > shared["U95_db"] + 0.05
    assert shared["warnings"] == []
    assert any("different calibrations" in text for text in other["warnings"])


def test_untidy_recordings_are_used_as_far_as_they_go(evenhush, record, noise, tone):
    """A door, clipping and a gap are left out and said; spectrum and tones are as without them."""
    clean = noise(0.01, 30) + tone(0.004, 1000, 30)
    untidy = clean.copy()
    time_s = np.arange(len(clean)) / RATE_HZ
    untidy[(time_s >= 5) & (time_s < 5.6)] += noise(0.3, 0.6, 2)
    untidy[(time_s >= 12) & (time_s < 12.02)] = 1.0
    untidy[(time_s >= 20) & (time_s < 20.5)] = 0.0
    good, bad = (
        evenhush("spectrum", record(name, samples), "--json").json["recordings"][0]
        for name, samples in (("good.wav", clean), ("bad.wav", untidy))
    )

    assert good["left_out"] == []
    assert {each["why"] for each in bad["left_out"]} == {"intrusion", "clipped", "standing still"}
    starts_s = sorted(each["start_s"] for each in bad["left_out"])
    assert starts_s[0] == pytest.approx(5, abs=0.6)
    assert any(abs(start_s - 12) < 0.2 for start_s in starts_s)
    assert starts_s[-1] >= 19.5
    assert bad["LAeq_dbfs"] == pytest.approx(good["LAeq_dbfs"], abs=0.1)
    (before,), (after,) = good["tones"], bad["tones"]
    assert after["frequency_hz"] == pytest.approx(before["frequency_hz"], abs=0.05)
    assert after["tone_to_noise_ratio_db"] == pytest.approx(
        before["tone_to_noise_ratio_db"], abs=0.3
    )
    assert sum("left out" in text for text in bad["warnings"]) == 3


def test_marked_passages_are_left_out(evenhush, record, noise, kept_beside):
    """What was marked when the sound was kept does not count."""
    samples = noise(0.01, 10)
    samples[RATE_HZ : 3 * RATE_HZ] *= 1.2
    mark = {"start_s": 1.0, "end_s": 3.0, "channels": None, "reasons": ["a truck"]}
    path = kept_beside(record("x.wav", samples), marked=[mark])
    (part,) = evenhush("spectrum", path, "--json").json["recordings"]

    assert [each["why"] for each in part["left_out"]] == ["marked"]
    assert part["LAeq_db"] == pytest.approx(
        evenhush("analyse", path, "--json").json["levels"]["LAeq_db"], abs=0.1
    )
    assert part["calibration_time"] == "2026-01-05T08:00:00.000Z"
    assert datetime.fromisoformat(part["time"]) == datetime(2026, 1, 5, 9, tzinfo=UTC)


def test_a_level_that_changes_is_said(evenhush, record, noise):
    """A cooler that slows down within the recording is no steady sound, and nothing is gated."""
    fading = noise(0.02, 20) * np.geomspace(1, 0.2, 20 * RATE_HZ)
    (part,) = evenhush("spectrum", record("x.wav", fading), "--json").json["recordings"]

    assert part["left_out"] == []
    assert part["U95_db"] is None
    # 14 dB in all, of which eight tenths lie between the deciles.
    (said,) = (text for text in part["warnings"] if "changes by" in text)
    assert 10 <= float(said.split("changes by ")[1].split()[0]) <= 13


def test_tables_hold_what_was_measured(evenhush, record, noise, tone, tmp_path):
    """The lines peak at the tone, and the bands repeat the document."""
    paths = [record("a.wav", noise(0.01, 6) + tone(0.01, 700, 6)), record("b.wav", noise(0.01, 6))]
    lines, bands = tmp_path / "lines.csv", tmp_path / "bands.csv"
    words = ("--csv", lines, "--bands-csv", bands, "--json")
    document = evenhush("spectrum", *paths, *words).json
    with lines.open(newline="") as file:
        rows = list(csv.DictReader(file))
    with bands.open(newline="") as file:
        band_rows = list(csv.DictReader(file))

    assert list(rows[0]) == ["frequency_hz", "LZ_1_dbfs", "LZ_2_dbfs"]
    assert max(rows, key=lambda row: float(row["LZ_1_dbfs"]))["frequency_hz"] == "700"
    steps = {float(b["frequency_hz"]) - float(a["frequency_hz"]) for a, b in pairwise(rows)}
    assert steps == {1.0}
    told = document["differences"][0]["difference_db"]
    assert [row["difference_2_less_1_db"] for row in band_rows] == [
        "" if value is None else f"{value:.2f}" for value in told
    ]


def test_pictures_are_drawn_the_same_every_time(evenhush, record, noise, tmp_path):
    """A picture is whole and holds no date, whatever its form, its axis and its names."""
    one, two = record("a.wav", noise(0.01, 4)), record(r"b $\frac{.wav", noise(0.01, 4))
    drawn = []
    for name, words in (("p.svg", ()), ("p.svg", ()), ("p.png", ("--axis", "linear"))):
        picture = tmp_path / name
        ended = evenhush("spectrum", one, two, "--picture", picture, "--weighting", "A", *words)
        assert f"saved: {picture}" in ended.out
        drawn.append(picture.read_bytes())

    assert drawn[0] == drawn[1]
    assert drawn[0].startswith(b"<?xml")
    assert drawn[2].startswith(b"\x89PNG")


def test_the_budget_is_printed(evenhush, record, noise):
    """With --budget every interval is taken apart on standard error."""
    path = record("a.wav", noise(0.01, 10))
    printed = evenhush("spectrum", path, path, "--budget").err

    assert "LAeq of " in printed
    assert "listening, first" in printed


def test_what_cannot_be_looked_at_is_refused(evenhush, record, noise, kept_beside):
    """Silence, too short sound, unlike calibrations and unknown words are one sentence each."""
    good = record("good.wav", noise(0.01, 4))
    silent = record("silent.wav", np.zeros(4 * RATE_HZ))
    clipped = record("clipped.wav", np.ones(4 * RATE_HZ))
    short = record("short.wav", noise(0.01, 0.6))
    kept = kept_beside(record("kept.wav", noise(0.01, 4)))
    other = record("other.wav", noise(0.01, 4), rate_hz=16_000)

    assert "is silent" in evenhush("spectrum", silent).sentence
    assert "is silent" in evenhush("spectrum", clipped).sentence
    assert "needs 1 s" in evenhush("spectrum", short).sentence
    assert "not calibrated" in evenhush("spectrum", good, kept).sentence
    assert "'A' or 'Z'" in evenhush("spectrum", good, "--weighting", "C").sentence
    assert "'log' or 'linear'" in evenhush("spectrum", good, "--axis", "up").sentence
    assert ".png or .svg" in evenhush("spectrum", good, "--picture", "x.pdf").sentence
    assert "sampling rates" in evenhush("spectrum", good, other, "--csv", "x.csv").sentence


def test_sound_that_is_all_bad_is_refused(evenhush, record, noise):
    """Where nothing is left, the reasons are the sentence."""
    samples = np.clip(2.0 * noise(1.0, 5), -1.0, 1.0)

    assert "are clipped" in evenhush("spectrum", record("x.wav", samples)).sentence


def test_a_silent_channel_is_no_part_of_the_average(evenhush, record, noise):
    """One channel of two that carries nothing does not take 3 dB away."""
    samples = noise(0.01, 8)
    both = record("both.wav", np.stack([samples, np.zeros_like(samples)], axis=1))
    (part,) = evenhush("spectrum", both, "--json").json["recordings"]
    (alone,) = evenhush("spectrum", record("one.wav", samples), "--json").json["recordings"]

    assert part["LAeq_dbfs"] == pytest.approx(alone["LAeq_dbfs"], abs=0.001)
    assert part["channels"] == 1
    assert any("Channel 2 is silent" in text for text in part["warnings"])
