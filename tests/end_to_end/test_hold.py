"""Holding a matched cooler as a user does, and as a crash leaves it."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import httpx
import numpy as np
import pytest
from kept_documents import match

from service.documents.matched_settings import LevelPart, SettingPart

EVENHUSH = Path(sys.executable).with_name("evenhush")
FJORD_RPM = 800.0


@pytest.fixture
def settings(tmp_path):
    """Matched settings of the simulated Fjord 140, which turns at about 800 rpm at 46 %."""
    drawn = match(np.random.default_rng(3))
    part = drawn.coolers[0].model_copy(
        update={
            "settings": {"fan": SettingPart(duty_percent=46.0, rpm=FJORD_RPM)},
            "level": LevelPart(LAeq_db=33.0, U95_db=0.25, as_read_db=34.0, budget=[]),
        }
    )
    path = tmp_path / "fjord.json"
    path.write_text(drawn.model_copy(update={"coolers": [part]}).to_json(), encoding="utf-8")
    return path


def test_a_run_is_held_logged_and_compared(evenhush, simulated_bench, settings, tmp_path):
    """The command runs while the speeds are held, and its log is what compare reads."""
    url, _ = simulated_bench()
    # By sound time goes as fast as it is made.
    evenhush("calibrate", "--input", "simulated:south")
    words = ["hold", "--bench", url, "--cooler", "fjord 140", "--settings", settings]
    listening = ["--input", "simulated:south", "--level-tolerance-db", "20"]
    script = "import time; time.sleep(3); print('loaded')"
    ran = evenhush(
        *words, *listening, "--log", "run.csv", "--json", "--", sys.executable, "-c", script
    )
    record = ran.json

    assert ran.code == 0, ran.err
    assert "loaded" in ran.err
    assert record["outcome"] == "held"
    assert record["command_code"] == 0
    assert record["speeds"]["fan"]["mean_rpm"] == pytest.approx(FJORD_RPM, rel=0.015)
    assert json.loads((tmp_path / "run.json").read_text(encoding="utf-8")) == record
    assert httpx.get(f"{url}/v1/state").json()["control"] == "own"
    (run,) = evenhush("compare", "run.csv", "--ambient-c", "23", "--json").json["runs"]
    assert (run["cooler"], run["at"]) == ("Fjord 140", "40 dB(A)")
    assert run["level"]["source"] == "settings"
    assert run["speeds"]["fan"]["rpm"] == pytest.approx(FJORD_RPM, rel=0.02)
    again = evenhush(*words, "--log", "run.csv", "--for-min", "1")
    assert again.code == 2
    assert "nothing is overwritten" in again.sentence


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
def test_a_kill_leaves_a_whole_log_and_a_bench_that_lapses(simulated_bench, settings, tmp_path):
    """Every line is whole, the last one a second before the kill at most."""
    url, _ = simulated_bench()
    words = ["hold", "--bench", url, "--cooler", "Fjord 140", "--settings", settings]
    log = tmp_path / "run.csv"
    with subprocess.Popen(
        [str(EVENHUSH), *map(str, words), "--log", str(log)], cwd=tmp_path, stderr=subprocess.PIPE
    ) as process:
        until_s = time.monotonic() + 60.0
        while not log.exists() or log.read_bytes().count(b"\n") < 4:
            # As quick as the bench answers, and not for ever.
            httpx.get(f"{url}/v1/state")
            assert time.monotonic() < until_s
        os.kill(process.pid, signal.SIGKILL)
        killed = httpx.get(f"{url}/v1/state").json()
    text = log.read_text(encoding="utf-8")
    rows = [line.split(",") for line in text.splitlines()]

    assert text.endswith("\n")
    assert {len(row) for row in rows} == {len(rows[0])}
    last = np.datetime64(rows[-1][0].rstrip("Z"))
    assert np.datetime64(killed["time"].rstrip("Z")) - last < np.timedelta64(1500, "ms")
    assert killed["control"] == "leased"
