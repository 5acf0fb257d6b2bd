"""Made-up chips, set up, served, killed and put back as a user does it."""

import contextlib
import json
import signal
import subprocess
import threading
import tomllib

import httpx
import pytest
from end_to_end.conftest import EVENHUSH
from made_up_hwmon import HERON, add_chip, contents, usual_tree

from service.bench_settings import BenchHostSettings
from service.storage.saved_hardware import SavedHardwareFile
from service.wiring import hardware_rescue
from service.wiring.bench_hardware import driven_bench

BENCH = """
[bench_host]
driver = "hwmon"
port = 0
hwmon_folder = "class/hwmon"

[bench_host.actuators.fan]
role = "fan"
chip = "heron"
pwm = "pwm1"
tachometer = "fan1"

[bench_host.actuators.pump]
role = "pump"
chip = "heron"
pwm = "Pump"

[bench_host.temperatures.processor]
chip = "ember"
sensor = "Core"
limit_c = 90
"""
WAIT_S = 20.0
"""Far longer than anything here takes, on a machine that is busy."""


@pytest.fixture
def folder(tmp_path):
    """A folder with a configuration and the usual chips in it."""
    usual_tree(tmp_path)
    (tmp_path / "evenhush.toml").write_text(BENCH)
    return tmp_path


def heron_in(folder):
    """Return what the main board's chip says."""
    return contents(folder / "devices/platform/heron.656/hwmon/hwmon3")


def say(folder, chip, name, text):
    """Let a file of a chip say something."""
    (folder / "class/hwmon" / chip / name).write_text(text)


def memory_of(folder):
    """Return where the bench saves what it has to put back."""
    return SavedHardwareFile(folder / "evenhush-data", "south")


def leave_changed(folder):
    """Leave fan and pump as a bench does that was killed together with its rescuer."""
    table = tomllib.loads(BENCH)["bench_host"]
    with contextlib.chdir(folder):
        settings = BenchHostSettings.model_validate(table)
        bench = driven_bench(settings, "south", memory_of(folder))
    bench.write_duty({"fan": 20.0, "pump": 50.0})


class Served:
    """A bench in a process of its own, leased, with both duties turned down."""

    def __init__(self, folder):
        self.process = subprocess.Popen(
            [str(EVENHUSH), "bench"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=folder,
        )
        first = self.process.stdout.readline()
        assert "bench south with fan, pump serves at http" in first
        self.url = first.split("serves at ")[1].strip()
        self.found = heron_in(folder)
        with httpx.Client(base_url=self.url, trust_env=False) as client:
            asked = client.post("/v1/lease", json={"holder": "test", "seconds": 60})
            lease = {"Bench-Lease": asked.json()["lease"]}
            duties = {"duty_percent": {"fan": 20.0, "pump": 50.0}}
            self.state = client.put("/v1/duty", json=duties, headers=lease).json()


@pytest.fixture
def serve(folder):
    """Serve the bench; whatever is left of it at the end is killed."""
    served = []

    def start():
        served.append(Served(folder))
        return served[-1]

    yield start
    for bench in served:
        bench.process.kill()
        bench.process.wait(WAIT_S)
        bench.process.stdout.close()


def test_a_killed_bench_is_put_back_by_its_rescuer(folder, serve):
    """Set over HTTP, killed at once, and the chip is as it was a moment later."""
    before = heron_in(folder)
    bench = serve()
    assert bench.state["control"] == "leased"
    assert bench.state["actuators"]["fan"] == {"duty_percent": 20.0, "rpm": 1210.0}
    assert heron_in(folder) == before | {
        "pwm1": "51",
        "pwm1_enable": "1",
        "pwm2": "128",
        "pwm2_enable": "1",
    }
    bench.process.send_signal(signal.SIGKILL)

    pause = threading.Event()
    for _ in range(round(WAIT_S / 0.05)):
        if not memory_of(folder).path.exists():
            break
        pause.wait(0.05)
    assert heron_in(folder) == before


def test_a_bench_puts_back_what_is_left_before_it_serves(folder, serve):
    """The first thing a start does is to restore; told to end it restores too, and exits with 0."""
    before = heron_in(folder)
    leave_changed(folder)
    assert heron_in(folder) != before

    bench = serve()
    assert bench.found == before
    assert heron_in(folder) != before
    bench.process.send_signal(signal.SIGTERM)

    assert bench.process.wait(WAIT_S) == 0
    assert heron_in(folder) == before
    assert not memory_of(folder).path.exists()


def test_restore_puts_back_without_serving(folder, evenhush_here):
    """What is left is put back and named, and a second time there is nothing to do."""
    before = heron_in(folder)
    leave_changed(folder)

    first = evenhush_here(folder, "hardware", "restore")
    assert (first.code, first.out) == (0, "put back fan, pump of bench south\n")
    assert heron_in(folder) == before
    again = evenhush_here(folder, "hardware", "restore", "--json")

    assert (again.code, again.json) == (
        0,
        {"schema": "evenhush.hardware-restore/1", "put_back": {}},
    )


def test_restore_needs_no_configuration(folder, evenhush_here):
    """With bench and data folder named, a broken configuration does not keep fans turned down."""
    before = heron_in(folder)
    leave_changed(folder)
    (folder / "evenhush.toml").write_text("broken")
    where = ("--name", "south", "--data", folder / "evenhush-data")

    assert evenhush_here(folder, "hardware", "restore").code == 2
    assert evenhush_here(folder, "hardware", "restore", *where).code == 0
    assert heron_in(folder) == before


def test_restore_finds_a_bench_that_has_another_name_now(folder, evenhush_here):
    """What was left under an earlier name is put back too."""
    before = heron_in(folder)
    leave_changed(folder)

    ran = evenhush_here(folder, "hardware", "restore", "--name", "north")

    assert (ran.code, ran.out) == (0, "put back fan, pump of bench south\n")
    assert heron_in(folder) == before


@pytest.mark.parametrize("words", [("hardware", "restore"), ("bench",)])
def test_a_running_bench_keeps_its_fans(folder, evenhush_here, monkeypatch, words):
    """Neither restoring nor a second bench takes the fans out of the hands of a running one."""
    monkeypatch.setattr(hardware_rescue, "_PATIENCE_S", 0.0)
    leave_changed(folder)
    changed = heron_in(folder)
    running = memory_of(folder)
    running.claim(0.0)
    try:
        ran = evenhush_here(folder, *words)
    finally:
        running.release()

    assert ran.code == 2
    assert "bench south is running already" in ran.sentence
    assert heron_in(folder) == changed


def test_restore_that_cannot(folder, evenhush_here):
    """A chip that is gone for good is told with the file to delete."""
    leave_changed(folder)
    (folder / "class/hwmon/hwmon3").unlink()

    ran = evenhush_here(folder, "hardware", "restore")

    assert ran.code == 2
    assert "There is no chip 'heron'" in ran.sentence
    assert ran.sentence.endswith(f"If it is gone for good, delete {memory_of(folder).path}.")


def test_list_prints_tables_that_the_configuration_takes(folder, evenhush_here):
    """Once each role and one limit are filled in, what was printed is a configuration."""
    add_chip(folder, "usb1/1-4", 0, HERON)
    say(folder, "hwmon3", "temp1_input", "n/a")
    listed = evenhush_here(folder, "hardware", "list")
    assert listed.code == 0
    tables = tomllib.loads(listed.out)["bench_host"]
    assert set(tables["actuators"]) == {"heron-1-pwm1", "heron-1-pwm2"} | {
        "heron-2-pwm1",
        "heron-2-pwm2",
    }
    assert "# temp1 (Core): 61.2 °C now" in listed.out
    assert "reads 'n/a', which is no number." in listed.out
    assert "# only read, not set: fan3: 700 rpm now" in listed.out

    (folder / "evenhush.toml").write_text(listed.out)
    assert "role" in evenhush_here(folder, "hardware", "check").sentence
    filled = listed.out.replace('role = "?"', 'role = "fan"').replace("# limit_c", "limit_c")
    here = 'driver = "hwmon"\nhwmon_folder = "class/hwmon"'
    (folder / "evenhush.toml").write_text(filled.replace('driver = "hwmon"', here))
    checked = evenhush_here(folder, "hardware", "check", "--json").json

    assert len(checked["actuators"]) == 4
    assert len(checked["problems"]) == 1  # the temperature that reads n/a


def test_list_for_scripts(folder, evenhush_here):
    """The same as one JSON document."""
    chips = evenhush_here(folder, "hardware", "list", "--json").json["chips"]

    assert [(chip["chip"], chip["device"]) for chip in chips] == [
        ("ember", "platform/ember.0"),
        ("heron", "platform/heron.656"),
    ]
    assert chips[0]["channels"] == [
        {"attribute": "temp1", "label": "Core", "temperature_c": 61.25, "remark": None}
    ]
    assert chips[1]["channels"][0] == {
        "attribute": "pwm1",
        "label": None,
        "duty_percent": 40.0,
        "remark": "automatic (5)",
    }


def test_list_where_nothing_can_be_set(tmp_path, evenhush_here):
    """A machine without any such chip is told so, and one without hwmon what else there is."""
    add_chip(tmp_path, "platform/ember.0", 1, {"name": "ember", "temp1_input": "61250"})
    configuration = tmp_path / "evenhush.toml"
    configuration.write_text('bench_host.hwmon_folder = "class/hwmon"')

    assert "No chip here sets a speed" in evenhush_here(tmp_path, "hardware", "list").out
    configuration.write_text('bench_host.hwmon_folder = "none"')
    assert "driver 'command'" in evenhush_here(tmp_path, "hardware", "list").sentence


def test_check_reads_everything_and_changes_nothing(folder, evenhush_here):
    """Every value is shown once, with what is good to know, and all is as before."""
    say(folder, "hwmon3", "pwm1_enable", "1")
    before = heron_in(folder)

    ran = evenhush_here(folder, "hardware", "check")

    assert ran.code == 0
    lines = [line.split() for line in ran.out.splitlines()]
    assert lines[1][:7] == ["fan", "40.0", "%", "1210", "rpm", "manual", "(1)"]
    assert lines[2][:5] == ["pump", "80.0", "%", "-", "automatic"]
    assert lines[3][:5] == ["processor", "61.2", "°C", "limit", "90"]
    assert ran.out.endswith("it can be served\n")
    assert "fan is not controlled by its chip at present, so 40 % is what it goes" in ran.err
    assert "pump has no tachometer" in ran.err
    assert heron_in(folder) == before
    assert not (folder / "evenhush-data").exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda folder: say(folder, "hwmon1", "temp1_input", "91000"), "processor is 91.0 °C, and"),
        (lambda folder: say(folder, "hwmon1", "temp1_input", "127000"), "reads 127 °C, which"),
        (lambda folder: say(folder, "hwmon3", "fan1_input", "-1"), "the speed of fan cannot be"),
    ],
)
def test_check_says_what_is_wrong(folder, evenhush_here, change, words):
    """Each problem is a sentence, and the answer is no."""
    change(folder)

    ran = evenhush_here(folder, "hardware", "check")

    assert ran.code == 1
    assert words in ran.err
    assert ran.out.endswith("it cannot be served like this\n")


def test_check_finds_a_missing_permission(folder, evenhush_here, monkeypatch):
    """A user who may not set the files is told before anything is served."""
    monkeypatch.setattr("os.access", lambda path, _mode: "pwm" not in str(path))

    checked = evenhush_here(folder, "hardware", "check", "--json")
    served = evenhush_here(folder, "bench")

    assert checked.code == 1
    assert ["'evenhush hardware permissions'" in line for line in checked.json["problems"]] == [
        True,
        True,
    ]
    assert served.code == 2
    assert "this user may not; 'evenhush hardware permissions'" in served.sentence


def test_permissions_and_unit_are_printed(folder, evenhush_here):
    """Both files are about this bench, its files and this configuration."""
    rule = evenhush_here(folder, "hardware", "permissions")
    assert rule.code == 0
    assert "/sys%p/pwm1 /sys%p/pwm1_enable /sys%p/pwm2 /sys%p/pwm2_enable" in rule.out

    unit = evenhush_here(folder, "hardware", "unit", "--data", "kept")
    assert unit.code == 0
    assert f"ExecStart={EVENHUSH} bench --config {folder}/evenhush.toml" in unit.out
    assert f"hardware restore --config {folder}/evenhush.toml --data {folder}/kept" in unit.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hardware", "lits"), "no 'lits' for hardware; there is list, check"),
        (("hardware",), "TASK"),
        (("hardware", "unit", "--json"), "not JSON"),
        (("bench", "--cooler", "Fjord 140"), "--cooler and --seed are for an invented cooler"),
        (("bench", "--config", "empty.toml"), "--simulated"),
        (("hardware", "check", "--config", "empty.toml"), "driver"),
        (("hardware", "unit", "--config", "empty.toml"), "needs a configuration file"),
        (("hardware", "permissions", "--config", "command.toml"), "for the driver 'hwmon'"),
        (("bench", "--address", "0.0.0.0"), "token"),
    ],
)
def test_bad_input(folder, evenhush_here, words, said):
    """What cannot be done is one sentence with exit 2, and nothing is changed or left."""
    (folder / "empty.toml").write_text("")
    (folder / "command.toml").write_text('bench_host.driver = "command"')
    before = heron_in(folder)

    ran = evenhush_here(folder, *words)

    assert ran.code == 2
    assert said in ran.err
    assert "Traceback" not in ran.err
    assert ran.out == ""
    assert heron_in(folder) == before


def test_the_configuration_can_ask_for_the_simulated_bench(folder, evenhush_here):
    """The driver "simulated" is the same as --simulated."""
    (folder / "evenhush.toml").write_text('bench_host.driver = "simulated"')

    ran = evenhush_here(folder, "bench", "--cooler", "Nothing 140")

    assert ran.code == 2
    assert "Nothing 140" in ran.sentence


def test_the_note_of_what_to_put_back_is_whole(folder):
    """It stands in the data folder with everything needed, under its schema."""
    leave_changed(folder)

    note = json.loads(memory_of(folder).path.read_text())

    assert note["schema"] == "evenhush.saved-hardware/1"
    assert note["actuators"]["fan"] == {
        "driver": "hwmon",
        "folder": str(folder / "class/hwmon"),
        "chip": "heron",
        "device": "platform/heron.656",
        "number": 1,
        "value": 102,
        "mode": 5,
        "full_speed_percent": 100.0,
    }
