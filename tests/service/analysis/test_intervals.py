"""Intervals of LAeq in an analysis: what they are made of, and when there are none."""

import json

import numpy as np
import pytest

CALIBRATION = {
    "schema": "evenhush.calibration/1",
    "accepted": True,
    "pascal_per_unit": 2.0,
    "rate_hz": 48_000,
    "tone": {
        "frequency_hz": 1000.0,
        "level_dbfs": -6.0,
        "stability_db": 0.01,
        "distortion_percent": 0.1,
        "signal_to_noise_db": 60.0,
    },
    "U95_db": 0.3,
    "time": "2026-01-02T03:04:05Z",
    "reasons": [],
}


@pytest.fixture
def calibration(tmp_path):
    """Write a calibration of an earlier version, which has no budget."""
    path = tmp_path / "calibration.json"
    path.write_text(json.dumps(CALIBRATION))
    return path


def norm_db(*lists):
    """Root sum of squares of what rows add."""
    return float(np.linalg.norm([row["contribution_db"] for rows in lists for row in rows]))


def test_an_interval_is_what_its_budget_says(analyse, record, noise, calibration):
    """U95 is 1.96 times the root sum of squares of listening, and of listening and microphone."""
    interval = analyse(record("x.wav", noise(0.01, 48_000 * 12)), "--calibration", calibration)[
        "LAeq_interval"
    ]

    assert [row["component"] for row in interval["budget"]] == ["listening"]
    assert interval["U95_db"] == pytest.approx(1.96 * norm_db(interval["budget"]), abs=6e-4)
    assert interval["U95_absolute_db"] == pytest.approx(
        1.96 * norm_db(interval["budget"], interval["chain_budget"]), abs=6e-4
    )
    # Calibration 0.15, response and field 0.3, unknown drift 0.2 / sqrt(3).
    assert norm_db(interval["chain_budget"]) == pytest.approx(0.3547, abs=1e-3)
    assert [row["shared"] for row in interval["chain_budget"]] == [True, True, False]


def test_without_a_calibration_document_only_listening_is_known(analyse, record, noise):
    """A bare factor or none says nothing about the true level, and claims nothing."""
    path = record("x.wav", noise(0.01, 48_000 * 12))
    for words in ((), ("--pascal-per-unit", 2)):
        interval = analyse(path, *words)["LAeq_interval"]

        assert interval["U95_absolute_db"] is None
        assert interval["chain_budget"] == []
        assert 0.0 < interval["U95_db"] < 0.5


def test_longer_listening_narrows_the_interval(analyse, record, noise):
    """A minute of the same noise is surer than ten seconds of it."""
    samples = noise(0.01, 48_000 * 60)
    short = analyse(record("short.wav", samples[: 48_000 * 10]))["LAeq_interval"]["U95_db"]

    assert analyse(record("long.wav", samples))["LAeq_interval"]["U95_db"] < 0.7 * short


@pytest.mark.parametrize(
    ("gain", "said"),
    [
        (np.linspace(0.5, 1.0, 48_000 * 12), "drifts by +"),
        (np.r_[np.ones(48_000 * 11), np.full(48_000, 5.0)], "LAeq is given without"),
        (np.ones(48_000 * 4), "less than 5 s"),
    ],
)
def test_where_it_would_mislead_there_are_words(analyse, record, noise, gain, said):
    """Sound that is not steady, or too short to tell, has a warning in place of an interval."""
    found = analyse(record("x.wav", noise(0.01, gain.size) * gain[:, None]))

    assert found["LAeq_interval"] is None
    assert any(said in text for text in found["warnings"]), found["warnings"]


def test_the_budget_is_printed_on_request(evenhush, record, noise, calibration):
    """With --budget a table goes to standard error, its last line the interval in the document."""
    path = record("x.wav", noise(0.01, 48_000 * 12))
    ended = evenhush("analyse", path, "--calibration", calibration, "--budget", "--json")
    interval = ended.json["LAeq_interval"]

    assert f"95 % within +-{interval['U95_db']:.3f} dB" in ended.err
    assert f"95 % within +-{interval['U95_absolute_db']:.3f} dB" in ended.err
    assert "response and field" in ended.err
    assert evenhush("analyse", path).err == ""
    short = evenhush("analyse", record("s.wav", noise(0.01, 48_000 * 4)), "--budget")
    assert "no budget to print" in short.err


def test_channels_that_are_silent_change_no_interval(analyse, record, noise):
    """The interval of a recording with a dead channel is that of the live one."""
    samples = noise(0.1, 48_000 * 9, channels=2) * [1.0, 0.0]
    alone = analyse(record("one.wav", samples[:, :1]))["LAeq_interval"]

    assert analyse(record("two.wav", samples))["LAeq_interval"] == alone
