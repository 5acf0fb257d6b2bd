import os
from pathlib import Path

import platformdirs
import pytest

from service.errors import SettingsError
from service.settings import Settings, data_folder, read_settings


@pytest.fixture(autouse=True)
def clean(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the developer's own variables, folders and files out; return the working folder."""
    for name in list(os.environ):
        if name.upper().startswith("EVENHUSH_"):
            monkeypatch.delenv(name)
    working = tmp_path / "working"
    working.mkdir()
    monkeypatch.chdir(working)
    monkeypatch.setattr(
        platformdirs, "user_config_path", lambda *_args, **_options: tmp_path / "user"
    )
    return working


FULL = """
input = "device:USB"
rate_hz = 96000
channels = 2
device_return_s = 90
calibration = "cal.json"
response = "mic.txt"
bench = "http://127.0.0.1:9000"
bench_token = "abc"
data = "kept"
database_url = "sqlite:///lab.db"
level_log_days = 30
keep = "sound"
keep_as = "wav"
target_db = 35
tolerance_db = 0.5

[bench_host]
name = "north"
address = "::1"
port = 9001
token = "def"
driver = "hwmon"
lease_max_s = 20
hwmon_folder = "chips"

[serve]
address = "::1"
port = 8741
token = "ghi"
floor_check_every_min = 60
floor_check_s = 20
floor_check_lowers_fans = true
calibration_due_h = 12

[bench_host.actuators.fan]
role = "fan"
min_duty_percent = 12
max_duty_percent = 95
chip = "heron"
device = "heron.656"
pwm = "pwm2"
tachometer = "fan2"

[bench_host.actuators.pump]
role = "pump"
set_duty = ["pump", "{duty_percent}"]
read_duty = ["pump", "duty"]
read_duty_pattern = '(.*) %'
read_rpm = ["pump", "rpm"]
read_rpm_pattern = '(.*) rpm'
give_back = ["pump", "auto"]
leave_at_percent = 90
time_limit_s = 1.5

[bench_host.temperatures.processor]
limit_c = 90
chip = "ember"
device = "ember.0"
sensor = "temp1"

[bench_host.temperatures.coolant]
read_c = ["pump", "coolant"]
read_c_pattern = '(.*) C'
time_limit_s = 0.5
"""

SERVE = {
    "address": "::1",
    "port": 8741,
    "token": "ghi",
    "floor_check_every_min": 60.0,
    "floor_check_s": 20.0,
    "floor_check_lowers_fans": True,
    "calibration_due_h": 12.0,
}

BENCH_HOST = {
    "name": "north",
    "address": "::1",
    "port": 9001,
    "token": "def",
    "driver": "hwmon",
    "lease_max_s": 20.0,
    "hwmon_folder": Path("chips"),
    "actuators": {
        "fan": {
            "role": "fan",
            "min_duty_percent": 12.0,
            "max_duty_percent": 95.0,
            "chip": "heron",
            "device": "heron.656",
            "pwm": "pwm2",
            "tachometer": "fan2",
            "set_duty": None,
            "read_duty": None,
            "read_duty_pattern": None,
            "read_rpm": None,
            "read_rpm_pattern": None,
            "give_back": None,
            "leave_at_percent": None,
            "time_limit_s": 1.0,
        },
        "pump": {
            "role": "pump",
            "min_duty_percent": None,
            "max_duty_percent": 100.0,
            "chip": None,
            "device": None,
            "pwm": None,
            "tachometer": None,
            "set_duty": ("pump", "{duty_percent}"),
            "read_duty": ("pump", "duty"),
            "read_duty_pattern": "(.*) %",
            "read_rpm": ("pump", "rpm"),
            "read_rpm_pattern": "(.*) rpm",
            "give_back": ("pump", "auto"),
            "leave_at_percent": 90.0,
            "time_limit_s": 1.5,
        },
    },
    "temperatures": {
        "processor": {
            "limit_c": 90.0,
            "chip": "ember",
            "device": "ember.0",
            "sensor": "temp1",
            "read_c": None,
            "read_c_pattern": None,
            "time_limit_s": 1.0,
        },
        "coolant": {
            "limit_c": None,
            "chip": None,
            "device": None,
            "sensor": None,
            "read_c": ("pump", "coolant"),
            "read_c_pattern": "(.*) C",
            "time_limit_s": 0.5,
        },
    },
}


def test_every_key_of_a_file(tmp_path: Path) -> None:
    """Each key that may stand in the file is read with its type, and there is no other."""
    path = tmp_path / "mine.toml"
    path.write_text(FULL)
    settings = read_settings(path)

    assert settings.model_dump() == {
        "input": "device:USB",
        "rate_hz": 96_000,
        "channels": 2,
        "device_return_s": 90.0,
        "calibration": Path("cal.json"),
        "response": Path("mic.txt"),
        "bench": "http://127.0.0.1:9000",
        "bench_token": "abc",
        "data": Path("kept"),
        "database_url": "sqlite:///lab.db",
        "level_log_days": 30,
        "keep": Path("sound"),
        "keep_as": "wav",
        "target_db": 35.0,
        "tolerance_db": 0.5,
        "bench_host": BENCH_HOST,
        "serve": SERVE,
    }


def test_defaults() -> None:
    """Without any file the defaults of the published interface hold."""
    settings = read_settings(None)

    assert (settings.rate_hz, settings.channels) == (48_000, 1)
    assert (settings.target_db, settings.tolerance_db) == (40.0, 0.3)
    assert settings.bench_host.address == "127.0.0.1"
    assert settings.bench_host.token is None


def test_which_file_is_read(clean: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The named file comes first, then the working folder's, then the user's; never two."""
    (tmp_path / "user").mkdir()
    (tmp_path / "user" / "evenhush.toml").write_text("rate_hz = 44100\nchannels = 3")
    assert read_settings(None).rate_hz == 44_100

    (clean / "evenhush.toml").write_text("rate_hz = 32000")
    assert (read_settings(None).rate_hz, read_settings(None).channels) == (32_000, 1)

    (tmp_path / "variable.toml").write_text("rate_hz = 22050")
    monkeypatch.setenv("EVENHUSH_CONFIG", str(tmp_path / "variable.toml"))
    assert read_settings(None).rate_hz == 22_050

    (tmp_path / "option.toml").write_text("rate_hz = 16000")
    assert read_settings(tmp_path / "option.toml").rate_hz == 16_000


@pytest.mark.parametrize(
    ("variable", "value", "change"),
    [
        ("EVENHUSH_INPUT", "file:x.wav", {"input": "file:x.wav"}),
        ("EVENHUSH_RATE_HZ", "8000", {"rate_hz": 8000}),
        ("EVENHUSH_CHANNELS", "4", {"channels": 4}),
        ("EVENHUSH_DEVICE_RETURN_S", "0", {"device_return_s": 0.0}),
        ("EVENHUSH_CALIBRATION", "other.json", {"calibration": Path("other.json")}),
        ("EVENHUSH_BENCH", "http://bench", {"bench": "http://bench"}),
        ("EVENHUSH_BENCH_TOKEN", "xyz", {"bench_token": "xyz"}),
        ("EVENHUSH_KEEP", "other", {"keep": Path("other")}),
        ("EVENHUSH_KEEP_AS", "flac", {"keep_as": "flac"}),
        ("EVENHUSH_TARGET_DB", "30.5", {"target_db": 30.5}),
        ("EVENHUSH_TOLERANCE_DB", "1", {"tolerance_db": 1.0}),
        ("EVENHUSH_SERVE__CALIBRATION_DUE_H", "6", {"serve": SERVE | {"calibration_due_h": 6.0}}),
    ],
)
def test_every_value_can_be_overridden(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    variable: str,
    value: str,
    change: dict[str, object],
) -> None:
    """A variable wins over the file for its own value, and for no other."""
    path = tmp_path / "mine.toml"
    path.write_text(FULL)
    before = read_settings(path).model_dump()
    monkeypatch.setenv(variable, value)

    assert read_settings(path).model_dump() == before | change


@pytest.mark.parametrize(
    ("variable", "value", "change"),
    [
        ("EVENHUSH_BENCH_HOST__NAME", "east", {"name": "east"}),
        ("EVENHUSH_BENCH_HOST__ADDRESS", "127.0.0.2", {"address": "127.0.0.2"}),
        ("EVENHUSH_BENCH_HOST__PORT", "0", {"port": 0}),
        ("EVENHUSH_BENCH_HOST__TOKEN", "ghi", {"token": "ghi"}),
        ("EVENHUSH_BENCH_HOST__DRIVER", "simulated", {"driver": "simulated"}),
        ("EVENHUSH_BENCH_HOST__LEASE_MAX_S", "30", {"lease_max_s": 30.0}),
        ("EVENHUSH_BENCH_HOST__HWMON_FOLDER", "/chips", {"hwmon_folder": Path("/chips")}),
    ],
)
def test_every_value_of_a_table_can_be_overridden(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    variable: str,
    value: str,
    change: dict[str, object],
) -> None:
    """A variable with two underscores reaches into a table and leaves the rest of it."""
    path = tmp_path / "mine.toml"
    path.write_text(FULL)
    before = read_settings(path).bench_host.model_dump()
    monkeypatch.setenv(variable, value)

    assert read_settings(path).bench_host.model_dump() == before | change


@pytest.mark.parametrize(
    ("variable", "value", "table", "change"),
    [
        ("ACTUATORS__FAN__PWM", "pwm3", ("actuators", "fan"), {"pwm": "pwm3"}),
        (
            "ACTUATORS__PUMP__GIVE_BACK",
            '["a", "b"]',
            ("actuators", "pump"),
            {"give_back": ("a", "b")},
        ),
        (
            "TEMPERATURES__PROCESSOR__LIMIT_C",
            "80",
            ("temperatures", "processor"),
            {"limit_c": 80.0},
        ),
    ],
)
def test_values_of_the_users_own_tables_can_be_overridden(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    variable: str,
    value: str,
    table: tuple[str, str],
    change: dict[str, object],
) -> None:
    """A variable reaches one value of one actuator or temperature and leaves the rest."""
    path = tmp_path / "mine.toml"
    path.write_text(FULL)
    monkeypatch.setenv(f"EVENHUSH_BENCH_HOST__{variable}", value)

    kind, name = table
    tables = read_settings(path).bench_host.model_dump()[kind]
    assert tables == BENCH_HOST[kind] | {name: BENCH_HOST[kind][name] | change}


@pytest.mark.parametrize(
    ("text", "key", "neighbour"),
    [
        ("targt_db = 40", "targt_db", "target_db"),
        ("Input = 'x'", "Input", "input"),
        ("[bench_hosts]\nport = 1", "bench_hosts", "bench_host"),
        ("[bench_host]\nprot = 1", "bench_host.prot", "bench_host.port"),
        ("bench_host.adress = '::1'", "bench_host.adress", "bench_host.address"),
        ("[bench_host.actuator.fan]", "bench_host.actuator", "bench_host.actuators"),
        (
            "[bench_host.actuators.fan]\nmin_duty = 1",
            "bench_host.actuators.fan.min_duty",
            "bench_host.actuators.fan.min_duty_percent",
        ),
        (
            "[bench_host.temperatures.room]\nlimit = 1",
            "bench_host.temperatures.room.limit",
            "bench_host.temperatures.room.limit_c",
        ),
    ],
)
def test_unknown_key(clean: Path, text: str, key: str, neighbour: str) -> None:
    """An unknown key is an error that names the file, the key and its nearest neighbour."""
    (clean / "evenhush.toml").write_text(text)

    with pytest.raises(SettingsError) as caught:
        read_settings(None)

    assert "evenhush.toml" in str(caught.value)
    assert f"key {key!r} is unknown; did you mean {neighbour!r}?" in str(caught.value)


@pytest.mark.parametrize(
    ("variable", "neighbour"),
    [
        ("EVENHUSH_TARGT_DB", "target_db"),
        ("EVENHUSH_BENCH_HOST__PROT", "bench_host.port"),
        ("EVENHUSH_BENCH_HOST__ACTUATORS__FAN__PVM", "bench_host.actuators.fan.pwm"),
        ("EVENHUSH_RATE", "rate_hz"),
    ],
)
def test_unknown_variable(monkeypatch: pytest.MonkeyPatch, variable: str, neighbour: str) -> None:
    """A variable that looks like a setting and is none is an error that names it."""
    monkeypatch.setenv(variable, "1")

    with pytest.raises(SettingsError, match=f"{variable} .*did you mean '{neighbour}'"):
        read_settings(None)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("target_db = 'loud'", "target_db .*should be a valid number"),
        ("target_db = true", "target_db .*must be a number, not true"),
        ("rate_hz = true", "rate_hz .*must be a number"),
        ("rate_hz = 48000.5", "rate_hz"),
        ("target_db = nan", "target_db"),
        ("tolerance_db = 0", "tolerance_db"),
        ("channels = 0", "channels .*greater than or equal to 1"),
        ("input = 5", "input .*valid string"),
        ("input = ['x']", "input .*valid string"),
        ("bench_host = 'south'", "bench_host must be a table"),
        ("[bench_host]\nport = 70000", "bench_host.port .*less than or equal to 65535"),
        ("[input]\nx = 1", "input must be a single value"),
        ("bench_host.actuators = 1", "bench_host.actuators must be a table"),
        ("bench_host.actuators.fan = 1", "bench_host.actuators.fan must be a table"),
        ("bench_host.actuators.fan.pwm.x = 1", "fan.pwm must be a single value"),
        ("[bench_host.actuators.fan]", "bench_host.actuators.fan.role is missing"),
        ("bench_host.actuators.fan.role = '?'", "fan.role .*'fan' or 'pump'"),
        ("bench_host.actuators.Fan.role = 'fan'", "Fan .*small letters"),
        ("bench_host.driver = 'magic'", "driver .*'hwmon', 'command' or 'simulated'"),
        ("bench_host.temperatures.cpu.limit_c = true", "limit_c .*must be a number"),
        ("bench_host.temperatures.cpu.read_c = 'sensor 1'", "read_c .*must be a list"),
        ("input = ", "cannot be read"),
        ("input = 'a'\ninput = 'b'", "cannot be read"),
    ],
)
def test_unusable_value(clean: Path, text: str, words: str) -> None:
    """A value of the wrong kind or size is an error that names its key, on one line."""
    (clean / "evenhush.toml").write_text(text)

    with pytest.raises(SettingsError, match=words) as caught:
        read_settings(None)

    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("variable", "value", "words"),
    [
        ("EVENHUSH_TARGET_DB", "loud", "target_db"),
        ("EVENHUSH_RATE_HZ", "", "rate_hz"),
        ("EVENHUSH_BENCH_HOST", "south", "environment variable cannot be read"),
    ],
)
def test_unusable_variable(
    monkeypatch: pytest.MonkeyPatch, variable: str, value: str, words: str
) -> None:
    """A variable whose value cannot be used is one sentence."""
    monkeypatch.setenv(variable, value)

    with pytest.raises(SettingsError, match=words):
        read_settings(None)


def test_named_file_must_exist(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that was asked for and is not there is an error, not a default."""
    with pytest.raises(SettingsError, match=r"no configuration file .*gone\.toml"):
        read_settings(tmp_path / "gone.toml")
    monkeypatch.setenv("EVENHUSH_CONFIG", str(tmp_path / "gone.toml"))
    with pytest.raises(SettingsError, match=r"gone\.toml"):
        read_settings(None)


def test_file_that_is_no_text(clean: Path) -> None:
    """A file that is not UTF-8 is one sentence."""
    (clean / "evenhush.toml").write_bytes(b"input = '\xff\xfe'")

    with pytest.raises(SettingsError, match="cannot be read"):
        read_settings(None)


def test_mark_before_the_first_character(clean: Path) -> None:
    """A file from an editor that marks UTF-8 is read like any other."""
    (clean / "evenhush.toml").write_text("rate_hz = 44100", encoding="utf-8-sig")

    assert read_settings(None).rate_hz == 44_100


def test_data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The option comes first, then the variable, then the file, then the user's folder."""
    usual = data_folder(None, Settings())
    assert "evenhush" in str(usual)
    assert usual.is_absolute()

    configured = Settings(data=tmp_path / "file")
    assert data_folder(None, configured) == tmp_path / "file"
    monkeypatch.setenv("EVENHUSH_DATA", str(tmp_path / "variable"))
    assert data_folder(None, configured) == tmp_path / "variable"
    assert data_folder(tmp_path / "option", configured) == tmp_path / "option"
