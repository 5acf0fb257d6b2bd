"""The desk for one test, and the calibration of its microphone for all of them."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from faults.at_the_desk import EVENHUSH, LEASE_S, AtTheDesk, Running
from faults.desk import RATE_HZ

CONFIGURATION = """\
[bench_host]
name = "desk"
port = 0
driver = "hwmon"
hwmon_folder = "{folder}"
lease_max_s = {lease_s}

[bench_host.actuators.fan]
role = "fan"
chip = "deskchip"
pwm = "pwm1"
tachometer = "fan1"
min_duty_percent = 15

[bench_host.actuators.pump]
role = "pump"
chip = "deskchip"
pwm = "pwm2"
tachometer = "fan2"
min_duty_percent = 40

[bench_host.temperatures.processor]
chip = "deskchip"
sensor = "processor"
limit_c = 90
"""


@pytest.fixture(autouse=True)
def no_configuration_of_ours(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Let every process of a test keep its data in the test's folder, and find no configuration."""
    monkeypatch.setenv("EVENHUSH_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "no-configuration"))


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[AtTheDesk]:
    """Put a cooler on a desk and serve it."""
    folder = tmp_path / "desk"
    folder.mkdir()
    at = AtTheDesk(folder)
    (folder / "bench.toml").write_text(
        CONFIGURATION.format(lease_s=LEASE_S, folder=folder / "hwmon"), encoding="utf-8"
    )
    try:
        at.start_desk()
        at.start_bench()
        yield at
    finally:
        at.end()


@pytest.fixture(scope="session")
def calibration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Calibrate the desk's microphone."""
    folder = tmp_path_factory.mktemp("calibrating")
    at = AtTheDesk(folder)
    try:
        at.start_desk()
        words = [EVENHUSH, "calibrate", "--input", at.microphone("calibrator")]
        words += ["--rate-hz", RATE_HZ]
        running = Running.start(
            [*words, "--level-db", "94", "--frequency-hz", "1000", "--save", "calibration.json"],
            folder,
            "calibrate",
            env={**os.environ, "EVENHUSH_DATA": str(folder / "data")},
        )
        assert running.ended() == 0, running.err
    finally:
        at.end()
    return folder / "calibration.json"
