import json
import sys
from pathlib import Path
from typing import Any

import fan_program
import pytest

from service.bench.hardware.commands import ProgramControl, program_thermometer
from service.bench.hardware.programs import Programs
from service.documents.saved_hardware import SpeedPrograms
from service.errors import HardwareFault, SettingsError

WAIT_S = 10.0
INTERPRETER = (sys.executable, "-I", "-S")


@pytest.fixture
def hub(tmp_path: Path) -> Path:
    """Return the file in which a made-up program keeps its fans."""
    path = tmp_path / "hub.json"
    path.write_text(json.dumps({"own": {"fan": 40.0}, "manual": {}, "celsius": 50.0}))
    return path


def manual(hub: Path) -> dict[str, float]:
    """Return what is set by hand."""
    found: dict[str, float] = json.loads(hub.read_text())["manual"]
    return found


def programs_of(hub: Path, **changes: Any) -> SpeedPrograms:
    """Return the programs of the fan."""
    program = (*INTERPRETER, fan_program.__file__, str(hub))
    usual: dict[str, Any] = {
        "set_duty": (*program, "set", "fan", "{duty_percent}"),
        "read_duty": (*program, "show", "fan"),
        "read_duty_pattern": r"duty (\S+) %",
        "read_rpm": (*program, "show", "fan"),
        "read_rpm_pattern": r"speed (\d+) rpm",
        "give_back": (*program, "auto", "fan"),
        "leave_at_percent": None,
        "time_limit_s": WAIT_S,
    }
    return SpeedPrograms(**usual | changes)


def control_of(hub: Path, **changes: Any) -> ProgramControl:
    """Return the fan."""
    return ProgramControl("fan", programs_of(hub, **changes), Programs())


@pytest.mark.parametrize(
    ("place", "duty", "written"),
    [
        ("{duty_percent}", 43.0, "43"),
        ("{duty_percent}", 43.256, "43.256"),
        ("{duty_percent}", 100.0, "100"),
        ("{duty_percent}", 0.0, "0"),
        ("--duty={duty_percent}%", 20.0, "--duty=20%"),
        ("{duty_whole_percent}", 43.6, "44"),
        ("{duty_whole_percent}", 100.0, "100"),
        ("{duty_255}", 43.0, "110"),
        ("{duty_255}", 100.0, "255"),
        ("{duty_fraction}", 43.0, "0.43"),
        ("{duty_fraction}", 100.0, "1"),
        ("{other}{duty_percent}", 43.0, "{other}43"),
    ],
)
def test_the_duty_takes_its_place(tmp_path: Path, place: str, duty: float, written: str) -> None:
    """Each way of writing a duty gives the program the number that it wants."""
    out = tmp_path / "argument"
    code = f"import sys; open({str(out)!r}, 'w').write(sys.argv[1])"
    control = control_of(
        tmp_path,
        set_duty=(*INTERPRETER, "-c", code, place),
        read_duty=None,
        read_duty_pattern=None,
        give_back=None,
        leave_at_percent=100.0,
    )

    control.set_duty(duty)

    assert out.read_text() == written
    assert control.duty_percent() == pytest.approx(duty, abs=0.5)


@pytest.mark.parametrize(
    ("place", "printed", "percent"),
    [
        ("{duty_percent}", "43.5", 43.5),
        ("{duty_whole_percent}", "43", 43.0),
        ("{duty_255}", "102", 40.0),
        ("{duty_fraction}", "0.4", 40.0),
    ],
)
def test_the_duty_is_read_on_the_same_scale(
    hub: Path, place: str, printed: str, percent: float
) -> None:
    """A program that is given 0 to 255 prints 0 to 255."""
    control = control_of(
        hub,
        set_duty=(sys.executable, place),
        read_duty=(*INTERPRETER, "-c", f"print({printed})"),
        read_duty_pattern="(.*)",
    )

    assert control.duty_percent() == pytest.approx(percent)


def test_it_is_set_read_and_given_back(hub: Path) -> None:
    """The programs do what they are there for."""
    control = control_of(hub)
    saved = control.own_control()
    assert (control.duty_percent(), control.rpm()) == (40.0, 800.0)

    control.set_duty(70.0)
    assert manual(hub) == {"fan": 70.0}
    assert (control.duty_percent(), control.rpm()) == (70.0, 1400.0)
    control.give_back(saved)

    assert manual(hub) == {}
    assert control.duty_percent() == 40.0


def test_it_is_left_at_a_duty(hub: Path) -> None:
    """Where nothing gives it back, the duty it is left at is set, and seen to be."""
    control = control_of(hub, give_back=None, leave_at_percent=90.0)
    control.set_duty(30.0)

    control.give_back(control.own_control())

    assert manual(hub) == {"fan": 90.0}


def test_a_duty_that_nobody_reads_is_known_from_the_start(hub: Path) -> None:
    """It is no number before anything was set; starting sets the one it is left at."""
    control = control_of(
        hub, read_duty=None, read_duty_pattern=None, give_back=None, leave_at_percent=90.0
    )
    with pytest.raises(HardwareFault, match="none was set yet"):
        control.duty_percent()

    control.start()

    assert manual(hub) == {"fan": 90.0}
    assert control.duty_percent() == 90.0


def test_starting_what_can_be_read_changes_nothing(hub: Path) -> None:
    """A program that tells the duty is not asked to set one."""
    control_of(hub).start()

    assert manual(hub) == {}


def test_a_duty_that_does_not_read_back_is_a_fault(hub: Path) -> None:
    """A program that sets another fan than the one that is read is found out."""
    control = control_of(hub, set_duty=(*INTERPRETER, "-c", "", "{duty_percent}"))

    with pytest.raises(HardwareFault, match=r"was set to 70.0 % and reads 40.0 %.*same fan"):
        control.set_duty(70.0)


@pytest.mark.parametrize("fault", ["fail", "babble"])
def test_a_faulty_program_is_a_fault(hub: Path, fault: str) -> None:
    """A failing program and one that prints something else raise with its words."""
    control = control_of(hub)
    hub.write_text(json.dumps(json.loads(hub.read_text()) | {"fault": fault}))

    for action in (control.duty_percent, control.rpm, lambda: control.set_duty(50.0)):
        with pytest.raises(HardwareFault, match=r"hub: no answer on its bus|printed 'hello'"):
            action()


@pytest.mark.parametrize("printed", ["-1", "100.1", "1e9"])
def test_an_absurd_duty_is_a_fault(hub: Path, printed: str) -> None:
    """A duty that cannot be is not believed."""
    code = f"print({printed})"
    control = control_of(hub, read_duty=(*INTERPRETER, "-c", code), read_duty_pattern="(.*)")

    with pytest.raises(HardwareFault, match=r"reads a duty of .*cannot be"):
        control.duty_percent()


def test_without_a_tachometer_no_speed_is_told(hub: Path) -> None:
    """A fan without the program has no speed."""
    control = control_of(hub, read_rpm=None, read_rpm_pattern=None)

    assert not control.tachometer
    with pytest.raises(HardwareFault, match="no tachometer"):
        control.rpm()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"set_duty": ("nope", "{duty_percent}")}, "fan, set_duty: there is no program 'nope'"),
        ({"give_back": ("nope",)}, "fan, give_back: there is no program 'nope'"),
        ({"set_duty": (sys.executable, "50")}, "set_duty must hold the place"),
        ({"set_duty": (sys.executable, "{duty}")}, "set_duty must hold the place"),
        (
            {"set_duty": (sys.executable, "{duty_255}", "{duty_percent}")},
            r"in one of these ways: \{duty_percent\}, \{duty_whole_percent\}, \{duty_255\}",
        ),
        ({"read_duty_pattern": None}, "needs read_duty and read_duty_pattern, or neither"),
        ({"read_rpm": None}, "needs read_rpm and read_rpm_pattern, or neither"),
        ({"read_rpm_pattern": r"\d+"}, "read_rpm_pattern, has 0 groups"),
        ({"give_back": None}, "either give_back, .* or leave_at_percent"),
        ({"leave_at_percent": 50.0}, "either give_back, .* or leave_at_percent"),
        ({"read_duty": None, "read_duty_pattern": None}, "no read_duty, so nobody would know"),
    ],
)
def test_what_cannot_work_is_refused(hub: Path, changes: dict[str, Any], words: str) -> None:
    """A missing program, place, pattern or way back is told before anything is run."""
    with pytest.raises(SettingsError, match=words):
        control_of(hub, **changes)


def test_a_temperature_that_a_program_prints(hub: Path) -> None:
    """The number is degrees Celsius, and one that cannot be is a fault."""
    command = (*INTERPRETER, fan_program.__file__, str(hub), "heat")
    read_c = program_thermometer("loop", command, "processor (.*) C", WAIT_S, runner := Programs())
    assert read_c() == 50.0

    hub.write_text(json.dumps(json.loads(hub.read_text()) | {"celsius": 51000}))
    runner.forget()
    with pytest.raises(
        HardwareFault, match=r"loop: the program .* reads 51000 °C, which cannot be"
    ):
        read_c()
