"""Logs of made-up thermal runs, and the command run on them."""

import numpy as np
import pytest
from command_runs import command_in_process
from kept_documents import match

from service.documents.matched_settings import LevelPart, SettingPart


@pytest.fixture
def run_log(tmp_path):
    """Write the log of a run whose rise is known; returns its path."""

    def write(name, rise_k, *, power_w=120.0, rpm=1000.0, ambient_c=23.0, level_db=None, seed=0):
        rng = np.random.default_rng([seed, *name.encode()])
        seconds = np.arange(900)
        air_c = ambient_c + 0.5 * np.sin(seconds / 400)
        processor_c = air_c + rise_k + 0.1 * rng.standard_normal(900)
        columns = {
            "time [s]": seconds,
            "cpu [C]": processor_c,
            "room [C]": air_c,
            "cpu power [W]": power_w + 0.2 * rng.standard_normal(900),
            "fan [rpm]": rpm + 2 * rng.standard_normal(900),
        }
        if level_db is not None:
            columns["LAeq [dB]"] = level_db + 0.1 * rng.standard_normal(900)
        path = tmp_path / name
        rows = zip(*columns.values(), strict=True)
        lines = [",".join(columns), *(",".join(f"{cell:.2f}" for cell in row) for row in rows)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return write


@pytest.fixture
def evenhush(monkeypatch, capsys):
    """Run the command in this process."""
    with command_in_process(monkeypatch, capsys) as run:
        yield run


@pytest.fixture
def matched_settings(tmp_path):
    """Write matched settings of one cooler at 40 dB(A), 50 % and 1000 rpm; returns their path."""

    def write(cooler="Fjord 140", **settings):
        drawn = match(np.random.default_rng(3), cooler=cooler)
        given = settings or {"fan": SettingPart(duty_percent=50.0, rpm=1000.0)}
        level = LevelPart(LAeq_db=39.9, U95_db=0.25, as_read_db=40.1, budget=[])
        part = drawn.coolers[0].model_copy(update={"settings": given, "level": level})
        path = tmp_path / "matched.json"
        path.write_text(drawn.model_copy(update={"coolers": [part]}).to_json(), encoding="utf-8")
        return path

    return write
