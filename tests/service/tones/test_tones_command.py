"""``evenhush tones`` on made-up fans whose tones are known."""

import csv
import json

import jsonschema
import numpy as np
import pytest

from service.documents.cooler import CoolerDocument
from service.documents.tones import TonesDocument

RATE_HZ = 32_000


def fan(noise, tone, rpm, seconds=10, seed=1):
    """A fan with seven blades: noise, blade-pass and its double, and a peak that stays."""
    sound = noise(0.01, seconds, seed) + tone(0.002, 643.0, seconds)
    return sound + tone(0.004, 7 * rpm / 60, seconds) + tone(0.003, 14 * rpm / 60, seconds)


def names_of(passage):
    """First name of each tone."""
    return [tone["explanations"][0]["name"] for tone in passage["tones"]]


def settings(*rpm, seconds=10.0):
    """Settings of kept sound, one after the other."""
    return [
        {
            "start_s": place * seconds,
            "end_s": (place + 1) * seconds,
            "steady_from_s": place * seconds + 1.0,
            "actuators": {"fan": {"duty_percent": 50.0, "rpm": speed}},
        }
        for place, speed in enumerate(rpm)
    ]


def test_tones_of_a_fan_have_their_names(evenhush, record, noise, tone):
    """With speed and blades, blade-passes are named, and tell the speed; the schema holds."""
    path = record("x.wav", fan(noise, tone, 1506.0))
    ended = evenhush("tones", path, "--fan-rpm", 1500, "--blades", 7, "--json")
    (part,) = ended.json["passages"]

    assert names_of(part) == ["blade-pass", "blade-pass x2", "unexplained"]
    assert [each["grade"] for each in part["tones"][:2]] == ["sure", "sure"]
    assert part["rotors"][0]["rpm_by_tones"] == pytest.approx(1506.0, abs=0.5)
    assert ended.json["description"]["blades"] == 7
    schema = TonesDocument.model_json_schema(by_alias=True, mode="serialization")
    jsonschema.validate(ended.json, schema)
    printed = evenhush("tones", path, "--fan-rpm", 1500, "--blades", 7).out
    assert "fan: blade-pass x2 (order 14), for sure (100 %)" in printed


def test_kept_sound_is_cut_into_its_settings(evenhush, record, noise, tone, kept_beside):
    """Every steady setting has its speed and tones; what follows the fan and what stays is told."""
    speeds = [1700.0, 1400.0, 1100.0]
    sound = np.concatenate([fan(noise, tone, rpm, 10, int(rpm)) for rpm in speeds])
    path = kept_beside(record("x.wav", sound), settings=settings(*speeds), duration_s=30.0)
    document = evenhush("tones", path, "--blades", 7, "--json").json

    assert [part["start_s"] for part in document["passages"]] == [2.5, 12.5, 22.5]
    assert [part["rotors"][0]["rpm"] for part in document["passages"]] == speeds
    for part in document["passages"]:
        found = dict(zip(names_of(part), (t["moves_with"] for t in part["tones"]), strict=True))
        assert found == {
            "blade-pass": "fan",
            "blade-pass x2": "fan",
            "resonance or electrical": "",
        }
    assert "stays at every speed" in evenhush("tones", path, "--blades", 7).out


def test_a_part_across_settings_is_said_to_be_smeared(evenhush, record, noise, tone, kept_beside):
    """Where a speed changes within the part that was chosen, the reason stands there."""
    sound = np.concatenate([fan(noise, tone, rpm, 10) for rpm in (1700.0, 1400.0)])
    path = kept_beside(record("x.wav", sound), settings=settings(1700.0, 1400.0), duration_s=20.0)
    (part,) = evenhush("tones", path, "--from", 2, "--json").json["passages"]

    assert any("changes from 1700 to 1400 rpm" in text for text in part["warnings"])


def test_a_speed_that_changes_unnoted_is_heard(evenhush, record, noise):
    """A tone that moves by 2 % over the recording is said to move, without any tachometer."""
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    phase = 2 * np.pi * (500.0 * time_s + 10.0 * time_s**2 / 40.0)
    path = record("x.wav", noise(0.01, 20) + 0.02 * np.sin(phase))
    (part,) = evenhush("tones", path, "--json").json["passages"]

    assert any("moves from 50" in text for text in part["warnings"])


def test_a_wrong_speed_and_none_are_said(evenhush, record, noise, tone):
    """A tachometer that counts half of the pulses, and no speed at all, are remarked on."""
    sound = noise(0.01, 10) + sum(tone(0.004, 7 * m * 25.0, 10) for m in (1, 2, 3))
    path = record("x.wav", sound)
    wrong = evenhush("tones", path, "--fan-rpm", 750, "--blades", 7).out
    without = evenhush("tones", path).out

    assert "fit 1500 rpm of fan far better than 750 rpm" in wrong
    assert "No speed is known" in without


def test_hum_is_named_by_the_mains_that_fits(evenhush, record, noise, tone):
    """120 and 240 Hz are hum of 60 Hz where nobody says, and nothing where it is said to be 50."""
    path = record("x.wav", noise(0.01, 10) + tone(0.004, 120, 10) + tone(0.004, 240, 10))
    (found,) = evenhush("tones", path, "--json").json["passages"]
    (told,) = evenhush("tones", path, "--mains-hz", 50, "--json").json["passages"]

    assert names_of(found) == ["mains hum x2", "mains hum x4"]
    assert found["mains_hz"] == 60.0
    assert names_of(told) == ["unexplained", "unexplained"]


def test_tones_of_the_room_are_marked(evenhush, record, noise, tone):
    """What the room hums is said to be in the room too."""
    hum = tone(0.004, 200, 10)
    room = record("room.wav", noise(0.003, 10, 4) + hum)
    path = record("x.wav", noise(0.01, 10) + hum + tone(0.004, 800, 10))
    (part,) = evenhush("tones", path, "--room", room, "--json").json["passages"]

    assert [each["in_room"] for each in part["tones"]] == [True, False]


def test_a_description_is_read_and_options_go_before_it(evenhush, record, noise, tone, tmp_path):
    """A description in a file names tones; an option changes one thing of it."""
    about = tmp_path / "fjord.json"
    about.write_text(CoolerDocument(cooler="Fjord 140", blades=9).to_json(), encoding="utf-8")
    path = record("x.wav", fan(noise, tone, 1500.0))
    words = ("tones", path, "--fan-rpm", 1500, "--about", about, "--json")
    (by_file,) = evenhush(*words).json["passages"]
    (by_option,) = evenhush(*words, "--blades", 7).json["passages"]

    assert "blade-pass" not in names_of(by_file)
    assert "blade-pass" in names_of(by_option)


def test_table_and_picture_say_the_same(evenhush, record, noise, tone, tmp_path):
    """The table has a line a tone; the picture names it; several settings have no one picture."""
    path = record("x.wav", fan(noise, tone, 1500.0))
    table, picture = tmp_path / "t.csv", tmp_path / "t.svg"
    words = ("--fan-rpm", 1500, "--blades", 7, "--csv", table, "--picture", picture)
    ended = evenhush("tones", path, *words)
    with table.open(newline="") as file:
        rows = list(csv.DictReader(file))

    assert [row["name"] for row in rows][:2] == ["blade-pass", "blade-pass x2"]
    assert [row["order"] for row in rows] == ["7", "14", ""]
    assert picture.read_bytes().startswith(b"<?xml")
    assert f"saved: {picture}" in ended.out
    assert "one setting" in evenhush("tones", path, path, "--picture", picture).sentence


def test_quiet_noise_has_no_tones(evenhush, record, noise):
    """Where nothing stands out, that is said."""
    assert "no tone stands out" in evenhush("tones", record("x.wav", noise(0.01, 6))).out


def test_what_cannot_be_is_refused(evenhush, record, noise, tmp_path):
    """Speeds of nothing, a description that is none, and odd endings are one sentence each."""
    path = record("x.wav", noise(0.01, 4))
    odd = tmp_path / "odd.json"
    odd.write_text(json.dumps({"schema": "evenhush.floor/1"}), encoding="utf-8")

    assert "above 0" in evenhush("tones", path, "--fan-rpm", 0).sentence
    assert "description of a cooler" in evenhush("tones", path, "--about", odd).sentence
    assert "greater than 0" in evenhush("tones", path, "--pwm-hz", -1).sentence
    assert ".png or .svg" in evenhush("tones", path, "--picture", "x.gif").sentence
