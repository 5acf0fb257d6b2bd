"""From the configuration to a bench of real hardware."""

import sys
from pathlib import Path
from typing import Any

import pytest
from made_up_hwmon import HERON, add_chip, usual_tree

from acoustic.errors import EvenhushError
from service.bench.hardware.driven_bench import DrivenBench
from service.bench_settings import BenchHostSettings
from service.errors import HardwareFault, SettingsError
from service.storage.saved_hardware import SavedHardwareFile
from service.wiring.bench_hardware import driven_bench

FAN = {"role": "fan", "chip": "heron", "pwm": "pwm1", "tachometer": "fan1"}
PUMP = {"role": "pump", "chip": "heron", "pwm": "pwm2"}
PROCESSOR = {"chip": "ember", "sensor": "Core", "limit_c": 90}
PROGRAM = {
    "role": "fan",
    "set_duty": [sys.executable, "{duty_percent}"],
    "leave_at_percent": 100,
}


def bench_of(
    folder: Path,
    *,
    driver: str | None = "hwmon",
    actuators: dict[str, Any] | None = None,
    temperatures: dict[str, Any] | None = None,
) -> DrivenBench:
    """Make a bench from a configuration."""
    settings = BenchHostSettings.model_validate(
        {
            "driver": driver,
            "hwmon_folder": folder / "class" / "hwmon",
            "actuators": {"fan": FAN} if actuators is None else actuators,
            "temperatures": {"processor": PROCESSOR} if temperatures is None else temperatures,
        }
    )
    return driven_bench(settings, "south", SavedHardwareFile(folder / "data", "south"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the usual chips."""
    usual_tree(tmp_path)
    return tmp_path


def test_usual_limits(folder: Path) -> None:
    """Without any given, a fan goes down to 20 % and a pump to 50 %, and full speed is 100 %."""
    bench = bench_of(folder, actuators={"fan": FAN, "pump": PUMP})

    assert {
        name: (actuator.role, actuator.min_duty_percent, actuator.max_duty_percent)
        for name, actuator in bench.actuators.items()
    } == {"fan": ("fan", 20.0, 100.0), "pump": ("pump", 50.0, 100.0)}
    assert [actuator.tachometer for actuator in bench.actuators.values()] == [True, False]
    assert bench.read().rpm == {"fan": 1210.0, "pump": None}


def test_given_limits(folder: Path) -> None:
    """A fan may stop where its owner says so, and full speed may be less than 100 %."""
    limits = {"min_duty_percent": 0, "max_duty_percent": 80}
    bench = bench_of(folder, actuators={"fan": FAN | limits})

    assert bench.actuators["fan"].min_duty_percent == 0
    bench.write_duty({"fan": 80.0})
    with pytest.raises(HardwareFault, match="0 to 80 %"):
        bench.write_duty({"fan": 81.0})


def test_programs_and_chips_can_guard_each_other(folder: Path) -> None:
    """A temperature of a chip guards fans that a program sets, and the other way round."""
    code = "print('loop 33.5 C')"
    coolant = {"read_c": [sys.executable, "-I", "-S", "-c", code], "read_c_pattern": "loop (.*) C"}

    by_program = bench_of(folder, driver="command", actuators={"fan": PROGRAM})
    by_chip = bench_of(
        folder, temperatures={"processor": PROCESSOR, "coolant": coolant | {"limit_c": 60}}
    )

    assert by_program.read().temperatures_c == {"processor": 61.25}
    assert by_chip.read().temperatures_c == {"processor": 61.25, "coolant": 33.5}
    assert by_chip.temperature_limits_c == {"processor": 90.0, "coolant": 60.0}


def test_what_is_saved_is_found_from_any_folder(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Relative paths of the configuration are whole in what a rescue has to find again."""
    monkeypatch.chdir(folder)
    program = Path("tool")
    program.symlink_to(sys.executable)
    settings = {"hwmon_folder": "class/hwmon", "temperatures": {"processor": PROCESSOR}}
    memory = SavedHardwareFile(folder / "data", "south")
    for driver, table in (
        ("hwmon", FAN),
        ("command", PROGRAM | {"set_duty": ["./tool", "{duty_percent}"]}),
    ):
        host = BenchHostSettings.model_validate(
            {"driver": driver, "actuators": {"fan": table}, **settings}
        )
        saved = driven_bench(host, "south", memory).controls["fan"].own_control().model_dump()

        assert str(folder) in (saved.get("folder") or saved["programs"]["set_duty"][0])


def test_a_temperature_without_a_limit_is_only_shown(folder: Path) -> None:
    """It is read like the others, and protects nothing."""
    board = {"chip": "heron", "sensor": "temp1"}
    bench = bench_of(folder, temperatures={"processor": PROCESSOR, "board": board})

    assert bench.read().temperatures_c == {"processor": 61.25, "board": 41.0}
    assert bench.temperature_limits_c == {"processor": 90.0}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"driver": None}, r'set driver = "hwmon" or "command".*evenhush hardware list'),
        ({"driver": "simulated"}, "No driver for real hardware"),
        ({"actuators": {}}, r"nothing to set; .*\[bench_host.actuators.NAME\]"),
        ({"temperatures": {}}, r"must not be turned down blindly.*limit_c"),
        (
            {"temperatures": {"processor": {"chip": "ember", "sensor": "Core"}}},
            "must not be turned down blindly",
        ),
        (
            {"actuators": {"fan": {"role": "fan"}}},
            "fan needs chip and pwm; 'evenhush hardware list",
        ),
        ({"actuators": {"fan": FAN | {"pwm": "pwm7"}}}, "no 'pwm7' that sets a speed"),
        ({"actuators": {"fan": FAN | {"tachometer": "fan7"}}}, "no 'fan7' that reads a speed"),
        ({"actuators": {"fan": FAN | {"chip": "crane"}}}, "no chip 'crane'"),
        (
            {"actuators": {"fan": FAN | {"give_back": ["x"], "set_duty": ["x"]}}},
            "fan has give_back, set_duty, which the driver 'command' knows and 'hwmon' does not",
        ),
        (
            {"driver": "command", "actuators": {"fan": PROGRAM | {"pwm": "pwm1"}}},
            "fan has pwm, which the driver 'hwmon' knows and 'command' does not",
        ),
        ({"driver": "command", "actuators": {"fan": {"role": "fan"}}}, "fan needs set_duty"),
        (
            {"driver": "command", "actuators": {"fan": PROGRAM | {"leave_at_percent": 10}}},
            "leave_at_percent of fan must be from 20 to 100",
        ),
        (
            {"actuators": {"pump": PUMP | {"min_duty_percent": 0}}},
            r"A pump must never stop, so the min_duty_percent of pump must be at least 10, not 0",
        ),
        ({"actuators": {"pump": PUMP | {"min_duty_percent": 9.9}}}, "must never stop"),
        (
            {"actuators": {"pump": PUMP | {"max_duty_percent": 40}}},
            "min_duty_percent of pump is 50, above its max_duty_percent 40",
        ),
        (
            {"actuators": {"fan": FAN, "rear": FAN}},
            r"fan and rear are both pwm1 of heron \(platform/heron.656\)",
        ),
        ({"temperatures": {"cpu": {"limit_c": 90}}}, "cpu needs either chip and sensor"),
        ({"temperatures": {"cpu": {"limit_c": 90, "chip": "ember"}}}, "cpu needs either"),
        (
            {"temperatures": {"cpu": PROCESSOR | {"read_c": [sys.executable]}}},
            "cpu needs either chip and sensor, .*, or read_c and read_c_pattern",
        ),
        ({"temperatures": {"cpu": PROCESSOR | {"sensor": "temp9"}}}, "'temp9' that reads a temp"),
        (
            {
                "temperatures": {
                    "cpu": {"limit_c": 90, "read_c": ["nope"], "read_c_pattern": "(.*)"}
                }
            },
            "temperature cpu, read_c: there is no program 'nope'",
        ),
        (
            {
                "temperatures": {
                    "cpu": {"limit_c": 90, "read_c": [sys.executable], "read_c_pattern": "x"}
                }
            },
            "cpu, read_c_pattern, has 0 groups",
        ),
    ],
)
def test_what_cannot_be_served_is_refused(
    folder: Path, changes: dict[str, Any], words: str
) -> None:
    """What is missing, wrong or dangerous in the configuration is one sentence."""
    with pytest.raises(EvenhushError, match=words) as caught:
        bench_of(folder, **changes)

    assert isinstance(caught.value, SettingsError | HardwareFault)
    assert str(caught.value).endswith(".")


def test_two_like_chips_are_told_apart(folder: Path) -> None:
    """The part of the path goes for each actuator by itself, so both chips can be used."""
    add_chip(folder, "usb1/1-4", 9, HERON)
    with pytest.raises(HardwareFault, match="2 chips are named 'heron'"):
        bench_of(folder)

    bench = bench_of(
        folder, actuators={"fan": FAN | {"device": "1-4"}, "rear": FAN | {"device": "heron.656"}}
    )

    assert bench.controls["fan"].where == "pwm1 of heron (usb1/1-4)"
