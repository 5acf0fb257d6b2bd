"""``evenhush orders`` on made-up sweeps whose orders, tones and resonances are known."""

import csv
import re

import jsonschema
import numpy as np
import pytest
import soundfile
from gliding_machine import RATE_HZ, gliding_machine

from service.documents.orders import OrdersDocument
from service.storage.speed_tables import read_speeds


@pytest.fixture
def sweep(record):
    """Write a glide, in Pa, and the table of its speeds; return both paths and the truth."""

    def write(**options):
        glide = gliding_machine(**{"rate_per_s": 0.08, "noise_db": -15.0} | options)
        sound = record("sweep.wav", glide.samples, RATE_HZ)
        table = sound.with_name("speeds.csv")
        rows = zip(glide.read.time_s, glide.read.rpm, strict=True)
        lines = [f"{time_s:.2f},{rpm:.0f},2400" for time_s, rpm in rows]
        table.write_text("\n".join(["time_s,fan_rpm,pump_rpm", *lines]) + "\n", encoding="utf-8")
        return sound, table, glide

    return write


def test_a_sweep_has_its_orders_tones_and_what_they_meet(evenhush, sweep):
    """Orders are named with their levels, what stays apart, a resonance in words; schema holds."""
    sound, table, _ = sweep(
        orders={7: 45.0, 14: 38.0},
        stays=[(240.0, 40.0), (400.0, 35.0)],
        resonance=(160.0, 5.0, 14.0),
        delay_s=0.5,
    )
    words = (sound, "--speeds", table, "--blades", 7, "--pump-vanes", 6, "--pascal-per-unit", 1)

    ended = evenhush("orders", *words, "--near-rpm", 1371, "--json")
    document = ended.json
    printed = evenhush("orders", *words, "--near-rpm", 1371).out

    assert [(each["order"], each["name"]) for each in document["orders"]] == [
        (7, "blade-pass"),
        (14, "blade-pass x2"),
    ]
    free = [
        level
        for level, shared in zip(
            document["orders"][1]["level_db"], document["orders"][1]["shared"], strict=True
        )
        if level is not None and not shared
    ]
    assert np.median(free) == pytest.approx(38.0, abs=0.5)
    assert [each["name"] for each in document["stays"]] == ["vane-pass", "mains hum x8"]
    (meets,) = (each for each in document["crossings"] if each["staying_hz"] is None)
    assert meets["order"] == 7
    assert meets["frequency_hz"] == pytest.approx(160.0, rel=0.02)
    assert "rpm the blade-pass meets something at 1" in printed
    assert document["rotor"]["delay_s"] == pytest.approx(0.5, abs=0.21)
    assert len(document["speeds"]) == len(document["orders"][0]["level_db"])
    assert document["nearest"]["rpm"] == 1371
    schema = OrdersDocument.model_json_schema(by_alias=True, mode="serialization")
    jsonschema.validate(document, schema)


def test_speeds_noted_beside_kept_sound_are_used(evenhush, record, kept_beside):
    """A kept sweep needs no table: speeds over time stand in the document beside it."""
    glide = gliding_machine(rate_per_s=0.1, orders={7: 45.0}, delay_s=0.6)
    path = record("x.wav", glide.samples / 2.0, RATE_HZ)
    speeds = {"time_s": glide.read.time_s.tolist(), "rpm": {"fan": glide.read.rpm.tolist()}}
    kept_beside(path, rate_hz=RATE_HZ, speeds=speeds, duration_s=len(glide.samples) / RATE_HZ)

    document = evenhush("orders", path, "--blades", 7, "--json").json

    assert document["cooler"] == "Fjord 140"
    assert document["calibrated"] is True
    (order,) = document["orders"]
    known = [level for level in order["level_db"] if level is not None]
    assert known == pytest.approx([45.0] * len(known), abs=0.5)
    time_s, rpm = np.array(document["course"]["time_s"]), np.array(document["course"]["rpm"])
    assert rpm == pytest.approx(glide.true.at(time_s), rel=0.01)


def test_picture_and_tables_hold_the_sweep(evenhush, sweep, tmp_path):
    """PNG and SVG come out the same twice; the tables have a line a speed."""
    sound, table, _ = sweep(orders={7: 45.0}, resonance=(160.0, 5.0, 14.0))
    words = ("orders", sound, "--speeds", table, "--blades", 7, "--pascal-per-unit", 1)
    png, svg, again = tmp_path / "o.png", tmp_path / "o.svg", tmp_path / "p.svg"
    levels, lines = tmp_path / "levels.csv", tmp_path / "lines.csv"

    document = evenhush(
        *words, "--picture", png, "--csv", levels, "--map-csv", lines, "--json"
    ).json
    evenhush(*words, "--picture", svg)
    evenhush(*words, "--picture", again)

    assert png.read_bytes().startswith(b"\x89PNG")
    assert svg.read_bytes() == again.read_bytes()
    with levels.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["rpm"]) for row in rows] == [each["rpm"] for each in document["speeds"]]
    away = (7 * float(rows[0]["rpm"]) / 60 - 160.0) / 5.0
    truth_db = 45.0 + 10 * np.log10(1 + (10**1.4 - 1) / (1 + away**2))
    assert float(rows[0]["order_7_db"]) == pytest.approx(truth_db, abs=0.5)
    with lines.open(encoding="utf-8", newline="") as file:
        map_rows = list(csv.reader(file))
    assert len(map_rows) == len(rows) + 1
    assert map_rows[0][1].startswith("LZ_")


def test_untidy_sweeps_are_said(evenhush, sweep):
    """A bang, and speeds of another machine, each have a remark; levels leave the bang out."""
    sound, table, glide = sweep(orders={7: 45.0})
    quiet = evenhush("orders", sound, "--speeds", table, "--json").json
    banged = glide.samples.copy()
    bang = slice(10 * RATE_HZ, 11 * RATE_HZ)
    banged[bang] += 3e-3 * np.random.default_rng(1).standard_normal(RATE_HZ)
    soundfile.write(sound, banged, RATE_HZ, subtype="FLOAT")

    loud = evenhush("orders", sound, "--speeds", table, "--json").json
    table.write_text(
        "time_s,fan_rpm\n" + "".join(f"{t},{2000 + 100 * t}\n" for t in range(25)), "utf-8"
    )
    wrong = evenhush("orders", sound, "--speeds", table, "--json").json

    assert [each["why"] for each in loud["left_out"]] == ["intrusion"]
    assert "stand out of the steady sound" in " ".join(loud["warnings"])
    levels = [[each["LAeq_dbfs"] for each in one["speeds"]] for one in (quiet, loud)]
    assert max(levels[1]) < max(levels[0]) + 1.0
    assert any(text.startswith("No tone follows the speed of fan") for text in wrong["warnings"])
    assert "The number of blades is not known" in quiet["warnings"][-1]


def test_without_speeds_or_a_sweep_there_is_one_sentence(evenhush, sweep, record, tmp_path):
    """What is missing or no sweep is refused, with what to do."""
    sound, table, glide = sweep(orders={7: 45.0})
    held = tmp_path / "held.csv"
    held.write_text("time_s,fan_rpm\n0,1200\n10,1201\n", encoding="utf-8")

    assert "give a table with --speeds" in evenhush("orders", sound).sentence
    assert "changes by only 0 %" in evenhush("orders", sound, "--speeds", held).sentence
    sentence = evenhush("orders", sound, "--speeds", table, "--rotor", "fan3").sentence
    assert "No speed of 'fan3' is known" in sentence
    assert "there is fan, pump." in sentence
    sentence = evenhush("orders", sound, "--speeds", table, "--picture", "x.jpg").sentence
    assert "let it end in .png or .svg" in sentence
    silent = record("silent.wav", np.zeros_like(glide.samples), RATE_HZ)
    assert "is silent" in evenhush("orders", silent, "--speeds", table).sentence


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("t,rpm\n0,900\n", "must name the columns 'time_s'"),
        ("time_s,fan_rpm\n0,900\n1\n", "Line 3 of .* has 1 columns"),
        ("time_s,fan_rpm\n0,900\n1,fast\n", "In line 3 of .*, fan_rpm is no number: 'fast'"),
        ("time_s,fan_rpm\n0,900\n1,-3\n", "fan_rpm cannot be -3"),
        ("time_s,fan_rpm\n0,900\n1,\n", "no two speeds above 0 rpm"),
        ("time_s,fan_rpm\n1,900\n0,900\n", "times of a course of speed must rise"),
    ],
)
def test_a_table_of_speeds_that_is_none_is_refused(evenhush, record, tmp_path, text, why):
    """Each fault of a table is told with its line."""
    table = tmp_path / "speeds.csv"
    table.write_text(text, encoding="utf-8")
    sound = record("x.wav", np.zeros(RATE_HZ), RATE_HZ)

    ended = evenhush("orders", sound, "--speeds", table)

    assert re.search(why, ended.sentence)


def test_an_empty_cell_is_no_reading(tmp_path):
    """A fan whose tachometer was silent for a while has a course without that while."""
    table = tmp_path / "speeds.csv"
    table.write_text("time_s,fan_rpm,pump_rpm\n0,900,\n1,,\n2,1100,\n", encoding="utf-8")

    (name, course), *others = read_speeds(table).items()

    assert (name, others) == ("fan", [])
    assert course.at(np.array([1.0])) == pytest.approx([1000.0])
