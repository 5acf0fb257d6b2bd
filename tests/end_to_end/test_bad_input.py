"""Bad input: one sentence, exit 2, no traceback, nothing half-written."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

TONE = Path(__file__).parents[2] / "recordings" / "reference-tone-94-db.flac"
NOBODY = "http://127.0.0.1:9"


@pytest.fixture(scope="module")
def folder(tmp_path_factory, evenhush_in):
    """A folder with unusable files of every kind, and one good calibration."""
    tmp_path = tmp_path_factory.mktemp("bad-input")
    rng = np.random.default_rng(1)
    noise = 0.01 * rng.standard_normal(48_000 * 8)
    soundfile.write(tmp_path / "empty.wav", np.zeros(0), 48_000, subtype="PCM_24")
    soundfile.write(tmp_path / "silent.wav", np.zeros(48_000 * 8), 48_000, subtype="PCM_24")
    soundfile.write(tmp_path / "eight.wav", noise, 48_000, subtype="PCM_U8")
    soundfile.write(tmp_path / "slow.wav", noise, 44_100, subtype="PCM_24")
    loud = np.clip(3.0 * np.sin(2 * np.pi * 1000 * np.arange(48_000 * 8) / 48_000), -1, 1)
    soundfile.write(tmp_path / "clipped.wav", loud, 48_000, subtype="PCM_24")
    soundfile.write(tmp_path / "good.wav", noise, 48_000, subtype="PCM_24")
    (tmp_path / "text.wav").write_text("not sound")
    (tmp_path / "broken.json").write_text('{"schema": "evenhush.calibration/1"')
    (tmp_path / "other.json").write_text('{"schema": "evenhush.floor/1"}')
    (tmp_path / "unknown.toml").write_text("targett_db = 40\n")
    (tmp_path / "wrong.toml").write_text('target_db = "loud"\n')
    data = tmp_path.parent / "bad-input-data"
    words = ("calibrate", "--input", TONE, "--save", "cal.json", "--data", data, "--seconds", "2")
    assert evenhush_in(tmp_path, *words).code == 0
    return tmp_path


MATCH = (
    "match",
    "--cooler",
    "X",
    "--bench",
    NOBODY,
    "--input",
    "good.wav",
    "--calibration",
    "cal.json",
)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("calibrate", "--input", "missing.wav"), "missing.wav"),
        (("calibrate", "--input", "empty.wav"), "empty"),
        (("calibrate", "--input", "silent.wav"), "no sound"),
        (("calibrate", "--input", "eight.wav"), "8"),
        (("calibrate", "--input", "text.wav"), "text.wav"),
        (("calibrate", "--input", "exec:no-such-program"), "no-such-program"),
        (("calibrate", "--input", "exec:'unclosed"), "unclosed"),
        (("calibrate", "--input", "simulated:nowhere"), "nowhere"),
        (("calibrate", "--input", "device:no such device 123"), "no such device 123"),
        (("calibrate",), "--input"),
        (("calibrate", "--input", "good.wav", "--channel", "2"), "channel 2"),
        (("calibrate", "--inptu", "good.wav"), "--inptu"),
        (("floor", "--input", "good.wav"), "never calibrated"),
        (("floor", "--input", "good.wav", "--calibration", "nofile.json"), "nofile.json"),
        (("floor", "--input", "good.wav", "--calibration", "broken.json"), "broken.json"),
        (("floor", "--input", "good.wav", "--calibration", "other.json"), "other.json"),
        (("floor", "--input", "slow.wav", "--calibration", "cal.json"), "44100"),
        (
            ("floor", "--input", "good.wav", "--calibration", "cal.json", "--config", "no.toml"),
            "no.toml",
        ),
        (("floor", "--input", "good.wav", "--config", "unknown.toml"), "'target_db'"),
        (("floor", "--input", "good.wav", "--config", "wrong.toml"), "target_db"),
        (MATCH, "127.0.0.1:9"),
        ((*MATCH, "--floor", "cal.json"), "cal.json"),
        ((*MATCH, "--pump-follows", "--pump-duty-percent", "50"), "not both"),
        ((*MATCH, "--target-db", "40", "--target-sone", "2"), "not both"),
        ((*MATCH, "--target-sone", "0"), "sone"),
        ((*MATCH, "--target-db", "40", "--target-db", "40"), "twice"),
        ((*MATCH, "--cooler", "x"), "twice"),
        ((*MATCH, "--target-db", "nan"), "0 to 120"),
        ((*MATCH, "--target-sone", "2", "--sound-field", "far"), "'far'"),
        (("match", "--cooler", "X", "--input", "good.wav"), "--bench"),
        ((*MATCH, "--out", "x.csv"), "x.csv"),
        ((*MATCH, "--out", "."), "--out"),
        ((*MATCH, "--out", "text.wav/x.json"), "text.wav"),
        ((*MATCH, "--response", "text.wav"), "text.wav"),
        (
            (
                "match",
                "--cooler",
                "X",
                "--bench",
                "nonsense",
                "--input",
                "good.wav",
                "--calibration",
                "cal.json",
            ),
            "nonsense",
        ),
        (("recheck", "nofile.json", "--bench", NOBODY), "nofile.json"),
        (("recheck", "cal.json", "--bench", NOBODY), "cal.json"),
        (("recheck", "--history", "broken.json"), "broken.json"),
        (("bench",), "--simulated"),
        (("bench", "--simulated", "--cooler", "Fjrod 140"), "Fjord 140"),
        (("bench", "--simulated", "--address", "0.0.0.0", "--port", "0"), "token"),
        (("analyse", "missing.wav"), "missing.wav"),
        (("analyse", "empty.wav"), "empty"),
        (("analyse", "silent.wav"), "silent.wav"),
        (("analyse", "eight.wav"), "eight.wav"),
        (("analyse", "clipped.wav"), "clipped"),
        (("analyse", "good.wav", "text.wav"), "text.wav"),
        (("analyse", "slow.wav", "--calibration", "cal.json"), "44100"),
        (("analyse", "good.wav", "--calibration", "cal.json", "--pascal-per-unit", "2"), "both"),
        (("analyse", "good.wav", "--csv", "nowhere/log.csv"), "nowhere"),
        (("replay", "text.wav"), "text.wav"),
        (("replay", "cal.json"), "cal.json"),
        (("schema", "nothing"), "matched-settings"),
        (("demo", "--out", "text.wav/inside"), "text.wav"),
    ],
)
def test_one_sentence_and_exit_2(folder, evenhush_here, words, said):
    """What is wrong and where is said in one sentence, without a traceback."""
    before = {path.name for path in folder.iterdir()}
    ran = evenhush_here(folder, *words)

    assert ran.code == 2, ran.err
    assert "Traceback" not in ran.err
    assert ran.sentence.startswith("evenhush: ")
    assert ran.sentence.endswith((".", "?"))
    assert said in ran.sentence
    assert ran.out == ""
    assert {path.name for path in folder.iterdir()} == before


def test_an_unknown_environment_variable_is_named(evenhush, monkeypatch):
    """A misspelt override is an error, not silently ignored."""
    monkeypatch.setenv("EVENHUSH_TARGETT_DB", "35")

    ran = evenhush("calibrate", "--input", TONE)

    assert ran.code == 2
    assert "EVENHUSH_TARGETT_DB" in ran.sentence
    assert "target_db" in ran.sentence


def test_a_target_below_the_floor_is_an_answer_not_an_error(evenhush, simulated_bench):
    """A target the room forbids is refused with exit 1 and a complete document."""
    url, _ = simulated_bench("south")
    evenhush("calibrate", "--input", "simulated:south")
    ran = evenhush(
        "match",
        "--bench",
        url,
        "--input",
        "simulated:south",
        "--cooler",
        "X",
        "--target-db",
        27,
        "--json",
    )

    assert ran.code == 1
    assert json.loads(ran.out)["coolers"][0]["outcome"] == "floor-too-high"
