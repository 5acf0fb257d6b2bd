"""The table of 100 ms levels."""

import csv

import numpy as np
import pytest


def table(path):
    """Read the table with the standard library."""
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_the_rows_add_up_to_the_whole(analyse, record, noise, tmp_path):
    """The energy mean of a column is the level of the whole, broadband and in bands."""
    path = record("x.wav", noise(0.1, 48_000 * 9))
    found = analyse(path, "--pascal-per-unit", 2, "--csv", tmp_path / "log.csv")
    rows = table(tmp_path / "log.csv")

    def mean_db(column):
        levels = np.array([float(row[column]) for row in rows])
        return 10 * np.log10(np.mean(10 ** (levels / 10)))

    assert [float(row["start_s"]) for row in rows] == pytest.approx(np.arange(90) / 10)
    for name in ("LAeq_db", "LCeq_db", "LZeq_db"):
        assert mean_db(name) == pytest.approx(found["levels"][name], abs=0.01)
    for name in ("LAFmax_db", "LASmax_db", "LCpeak_db"):
        highest_db = max(float(row[name]) for row in rows)
        assert highest_db == pytest.approx(found["levels"][name], abs=0.01)
    bands = found["third_octaves"]
    for nominal_hz, level_db in zip(bands["nominal_hz"], bands["LZeq_db"], strict=True):
        assert mean_db(f"LZeq_{nominal_hz:g}Hz_db") == pytest.approx(level_db, abs=0.01)


def test_several_channels_and_a_part(analyse, record, noise, tmp_path):
    """Channels take turns in every 100 ms, times are those of the recording, silence is empty."""
    path = record("x.wav", noise(0.1, 48_000 * 3, channels=2) * [1.0, 0.0])
    analyse(path, "--from", 1.5, "--csv", tmp_path / "log.csv")
    rows = table(tmp_path / "log.csv")

    assert [(row["start_s"], row["channel"]) for row in rows[:3]] == [
        ("1.500", "1"),
        ("1.500", "2"),
        ("1.600", "1"),
    ]
    assert len(rows) == 30
    assert float(rows[0]["LAeq_dbfs"]) == pytest.approx(-23, abs=1)
    assert rows[1]["LAeq_dbfs"] == ""
    assert not [name for name in rows[0] if name.endswith("_db")]


def test_a_refusal_leaves_the_old_table(refusal, record, noise, tmp_path):
    """A recording that turns out clipped at its end leaves what was there, and nothing beside."""
    samples = noise(0.01, 48_000 * 12)
    samples[-10:] = 1.0
    path = record("x.wav", samples)
    log = tmp_path / "log.csv"
    log.write_text("old")

    assert "clipped" in refusal(path, "--csv", log)
    assert log.read_text() == "old"
    assert {entry.name for entry in tmp_path.iterdir()} == {"x.wav", "log.csv"}


def test_a_folder_that_is_missing(refusal, record, noise, tmp_path):
    """A place that cannot be written to is said before any work."""
    path = record("x.wav", noise(0.01, 48_000))

    assert "cannot be written" in refusal(path, "--csv", tmp_path / "gone" / "log.csv")


def test_one_recording_at_a_time(refusal, record, noise, tmp_path):
    """A table of several recordings is not offered."""
    path = record("x.wav", noise(0.01, 48_000))

    assert "--csv" in refusal(path, path, "--csv", tmp_path / "log.csv")
