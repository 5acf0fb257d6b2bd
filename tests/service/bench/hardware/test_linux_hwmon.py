import errno
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_up_hwmon import EMBER, HERON, MadeUpChips, add_chip, contents, usual_tree

from service.bench.hardware.hwmon_chips import HwmonFolder
from service.bench.hardware.linux_hwmon import (
    PwmControl,
    chip_tachometer,
    chip_thermometer,
    mode_in_words,
)
from service.documents.saved_hardware import SavedPwm
from service.errors import HardwareFault


@pytest.fixture
def chips(tmp_path: Path) -> MadeUpChips:
    """A made-up tree."""
    return MadeUpChips(tmp_path)


def control_of(chips: HwmonFolder, pwm: int = 1) -> PwmControl:
    """Return one channel of the main board's chip, with its tachometer."""
    chip = chips.find_chip("heron")
    fan = chip_tachometer(chips, chip, chips.find_channel(chip, "fan", f"fan{pwm}"))
    return PwmControl(chips, chip, pwm, fan=fan)


def read_temperature(chips: HwmonFolder) -> float:
    """Read the main board's temperature."""
    chip = chips.find_chip("heron")
    return chip_thermometer(chips, chip, chips.find_channel(chip, "temp", "temp1"))()


def write(chips: MadeUpChips, name: str, text: str) -> None:
    """Let a file say something."""
    (chips.heron / name).write_text(text, encoding="utf-8")


def test_a_duty_is_a_register_of_255(chips: MadeUpChips) -> None:
    """The register is the duty's share of 255, rounded, and reads back as a percentage."""
    control = control_of(chips)
    assert control.duty_percent() == pytest.approx(40.0)
    assert control.rpm() == 1210

    control.set_duty(43.0)

    assert contents(chips.heron)["pwm1"] == "110"  # 109.65
    assert control.duty_percent() == pytest.approx(43.137, abs=0.001)


def test_manual_control_comes_before_the_value(chips: MadeUpChips) -> None:
    """The mode is written first, as the chip refuses a value in any other, and only once."""
    control = control_of(chips)

    control.set_duty(50.0)
    control.set_duty(60.0)

    assert chips.written == [("pwm1_enable", "1"), ("pwm1", "128"), ("pwm1", "153")]


def test_manual_control_that_was_lost_is_taken_again(chips: MadeUpChips) -> None:
    """Where the firmware has put its own control back, the next duty takes it again."""
    control = control_of(chips)
    control.set_duty(50.0)
    write(chips, "pwm1_enable", "5")

    control.set_duty(60.0)

    assert contents(chips.heron)["pwm1_enable"] == "1"


@pytest.mark.parametrize("mode", [0, 1, 2, 5])
def test_it_is_put_back_value_first(chips: MadeUpChips, mode: int) -> None:
    """The old value is written while the chip still takes it, then the old mode."""
    write(chips, "pwm1_enable", str(mode))
    control = control_of(chips)
    before = contents(chips.heron)
    saved = control.own_control()
    control.set_duty(80.0)
    chips.written.clear()

    control.give_back(saved)

    assert contents(chips.heron) == before
    assert chips.written == [("pwm1", "102"), ("pwm1_enable", str(mode))]


@pytest.mark.parametrize("mode", [2, 5])
def test_what_is_back_already_stays_alone(chips: MadeUpChips, mode: int) -> None:
    """After a restart of the machine the chip controls itself, and no value is forced on it."""
    control = control_of(chips)
    saved = control.own_control()
    write(chips, "pwm1_enable", str(mode))
    write(chips, "pwm1", "33")

    control.give_back(saved)

    assert chips.written == [("pwm1_enable", "5")]
    assert contents(chips.heron)["pwm1"] == "33"


def test_manual_control_is_put_back_from_any_other(chips: MadeUpChips) -> None:
    """A speed that was set by hand before is set by hand again, whoever took it since."""
    write(chips, "pwm1_enable", "1")
    control = control_of(chips)
    before, saved = contents(chips.heron), control.own_control()
    write(chips, "pwm1_enable", "2")
    write(chips, "pwm1", "33")

    control.give_back(saved)

    assert contents(chips.heron) == before


def test_a_chip_without_modes_gets_its_value_back(chips: MadeUpChips) -> None:
    """Where there is nothing to choose, the value is set and put back, and no mode is made up."""
    (chips.heron / "pwm1_enable").unlink()
    control = control_of(chips)
    saved = control.own_control()
    assert saved.mode is None
    control.set_duty(80.0)

    control.give_back(saved)

    assert [name for name, _ in chips.written] == ["pwm1", "pwm1"]
    assert contents(chips.heron)["pwm1"] == "102"
    assert not (chips.heron / "pwm1_enable").exists()


def test_a_mode_that_is_no_longer_there_is_a_fault(chips: MadeUpChips) -> None:
    """Own control that cannot be chosen any more does not pass for given back."""
    saved = control_of(chips).own_control()
    (chips.heron / "pwm1_enable").unlink()

    with pytest.raises(HardwareFault, match=r"pwm1_enable is gone.*restart the machine"):
        control_of(chips).give_back(saved)


@pytest.mark.parametrize("step", [2, 5, 10])
def test_a_coarse_register_will_do(chips: MadeUpChips, step: int) -> None:
    """A register that keeps every tenth value only is taken, and its own value is told."""
    chips.step = step
    control = control_of(chips)

    control.set_duty(43.0)

    assert control.duty_percent() * 2.55 % step == pytest.approx(0.0, abs=1e-9)
    assert control.duty_percent() == pytest.approx(43.0, abs=2.0)


def test_a_register_that_is_too_coarse_is_a_fault(chips: MadeUpChips) -> None:
    """Where only 0, 85, 170 and 255 are kept, the duty that was asked cannot be had."""
    chips.step = 85

    with pytest.raises(HardwareFault, match=r"pwm1 was set to 128 and reads 170; the chip cannot"):
        control_of(chips).set_duty(50.0)


@pytest.mark.parametrize("name", ["pwm1", "pwm1_enable"])
def test_an_ignored_write_is_a_fault(chips: MadeUpChips, name: str) -> None:
    """A value or mode that does not read back is a fault after half a second."""
    chips.deaf.add(name)

    with pytest.raises(HardwareFault, match=rf"{name} was set to \d+ and reads \d+.*stop that one"):
        control_of(chips).set_duty(80.0)

    assert 0.3 < chips.paused_s < 0.7


def test_an_ignored_hand_back_is_a_fault(chips: MadeUpChips) -> None:
    """A chip that stays in manual control does not pass for given back."""
    control = control_of(chips)
    saved = control.own_control()
    control.set_duty(20.0)
    chips.deaf.add("pwm1_enable")

    with pytest.raises(HardwareFault, match="pwm1_enable was set to 5 and reads 1"):
        control.give_back(saved)


def test_a_late_answer_is_waited_for(chips: MadeUpChips) -> None:
    """A driver that shows the old value for a few looks is no fault."""
    chips.late_looks = 4
    control = control_of(chips)

    control.set_duty(80.0)

    assert contents(chips.heron)["pwm1"] == "204"


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.EACCES, "this user may not; 'evenhush hardware permissions'"),
        (errno.EPERM, "this user may not"),
        (errno.EBUSY, "busy.*firmware or another program"),
        (errno.EINVAL, "Invalid argument.*firmware or another program"),
        (errno.EIO, "firmware or another program"),
        (errno.ENODEV, "it is gone.*unplugged.*start the bench again"),
    ],
)
@pytest.mark.parametrize("name", ["pwm1", "pwm1_enable"])
def test_a_refused_write_is_a_fault(chips: MadeUpChips, name: str, code: int, words: str) -> None:
    """The file, the reason and what to do are in one sentence."""
    chips.refused[name] = code

    with pytest.raises(HardwareFault, match=f"{name} cannot be set to .*{words}"):
        control_of(chips).set_duty(80.0)


def test_a_chip_that_vanishes_is_a_fault(chips: MadeUpChips) -> None:
    """Nothing is made up of a chip that was unplugged, and no file is made in its place."""
    control = control_of(chips)
    saved = control.own_control()
    chips.pull_out()

    for action in (
        control.duty_percent,
        control.rpm,
        control.own_control,
        control.check_may_set,
        lambda: control.set_duty(50.0),
        lambda: control.give_back(saved),
    ):
        with pytest.raises(HardwareFault, match="it is gone"):
            action()
    assert not chips.heron.exists()


@pytest.mark.parametrize("text", ["", "n/a", "12 rpm", "0x7f", "1.5", "1e3", "٣", "-", "9" * 40])
@pytest.mark.parametrize("name", ["pwm1", "fan1_input", "temp1_input"])
def test_text_is_no_reading(chips: MadeUpChips, name: str, text: str) -> None:
    """Whatever is not a whole number is a fault with its words, not a value."""
    control = control_of(chips)
    write(chips, name, f"{text}\n")
    read = {
        "pwm1": control.duty_percent,
        "fan1_input": control.rpm,
        "temp1_input": lambda: read_temperature(chips),
    }[name]

    with pytest.raises(HardwareFault, match=f"{name} reads .*no number"):
        read()


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("pwm1", "-1"),
        ("pwm1", "256"),
        ("fan1_input", "-1"),
        ("fan1_input", "65535"),
        ("temp1_input", "127000"),
        ("temp1_input", "127500"),
        ("temp1_input", "-128000"),
        ("temp1_input", "-61000"),
    ],
)
def test_an_absurd_reading_is_a_fault(chips: MadeUpChips, name: str, text: str) -> None:
    """What no register, fan or running machine can read is a fault, not a value."""
    control = control_of(chips)
    write(chips, name, f"{text}\n")
    read = {
        "pwm1": control.duty_percent,
        "fan1_input": control.rpm,
        "temp1_input": lambda: read_temperature(chips),
    }[name]

    with pytest.raises(HardwareFault, match=f"{name} reads"):
        read()


@pytest.mark.parametrize(("text", "celsius"), [("61250", 61.25), ("0", 0.0), ("-5000", -5.0)])
def test_temperatures_are_thousandths(chips: MadeUpChips, text: str, celsius: float) -> None:
    """Thousandths of a degree become degrees, also below zero."""
    write(chips, "temp1_input", text)

    assert read_temperature(chips) == celsius


@pytest.mark.parametrize("name", ["fan1", "temp1"])
def test_a_sensor_that_says_it_is_broken_is_not_believed(chips: MadeUpChips, name: str) -> None:
    """The chip's own fault flag stands above whatever the sensor reads."""
    read = {"fan1": control_of(chips).rpm, "temp1": lambda: read_temperature(chips)}[name]
    write(chips, f"{name}_fault", "0")
    read()
    write(chips, f"{name}_fault", "1")

    with pytest.raises(HardwareFault, match=f"not to be believed, as {name}_fault says"):
        read()


@pytest.mark.parametrize("code", [errno.EIO, errno.ENODATA, errno.EAGAIN, errno.EACCES])
def test_a_refused_reading_is_a_fault(chips: MadeUpChips, code: int) -> None:
    """A sensor that cannot be read now is a fault with the file and the reason."""
    chips.unreadable["temp1_input"] = code

    with pytest.raises(HardwareFault, match="temp1_input cannot be read"):
        read_temperature(chips)


def test_what_may_not_be_written_is_found_before(
    chips: MadeUpChips, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A user without the permission is told which file and how to get it, without a write."""
    control = control_of(chips)
    control.check_may_set()
    monkeypatch.setattr("os.access", lambda path, _: not str(path).endswith("pwm1_enable"))

    with pytest.raises(HardwareFault, match=r"pwm1_enable .*'evenhush hardware permissions'"):
        control.check_may_set()
    assert chips.written == []


def test_a_saved_channel_is_found_again_by_name(tmp_path: Path) -> None:
    """After a start with other numbers the same chip is put back, not what has its number now."""
    first = HwmonFolder(usual_tree(tmp_path / "first"))
    saved = control_of(first).own_control()
    second = tmp_path / "second"
    other = add_chip(second, "platform/ember.0", 3, {**EMBER, "pwm1": "9", "pwm1_enable": "1"})
    heron = add_chip(second, "platform/heron.656", 7, {**HERON, "pwm1": "20", "pwm1_enable": "1"})
    now = SavedPwm(**saved.model_dump() | {"folder": str(second / "class" / "hwmon")})

    PwmControl.of_saved(now).give_back(now)

    assert (contents(heron)["pwm1"], contents(heron)["pwm1_enable"]) == ("102", "5")
    assert contents(other)["pwm1"] == "9"


def test_a_saved_channel_of_two_like_chips_is_the_same_one(tmp_path: Path) -> None:
    """Of two chips of one name the one at the same place is put back."""
    tree = usual_tree(tmp_path)
    twin = add_chip(tmp_path, "usb1/1-4", 9, {**HERON, "pwm1": "7"})
    chips = HwmonFolder(tree)
    saved = PwmControl(chips, chips.find_chip("heron", "usb1"), 1).own_control()
    (twin / "pwm1_enable").write_text("1")
    (twin / "pwm1").write_text("99")

    PwmControl.of_saved(saved).give_back(saved)

    assert contents(twin)["pwm1"] == "7"
    assert contents(twin)["pwm1_enable"] == "5"


def test_a_saved_channel_at_another_plug_is_found_by_its_only_name(tmp_path: Path) -> None:
    """A device with another path after plugging in is put back while its name is the only one."""
    chips = HwmonFolder(usual_tree(tmp_path))
    saved = control_of(chips).own_control().model_copy(update={"device": "usb1/1-4"})

    assert PwmControl.of_saved(saved).duty_percent() == pytest.approx(40.0)


def test_modes_have_words() -> None:
    """What the kernel calls by numbers is told in words."""
    assert [mode_in_words(mode) for mode in (None, 0, 1, 2, 5)] == [
        "manual only",
        "full speed (0)",
        "manual (1)",
        "automatic (2)",
        "automatic (5)",
    ]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    value=st.integers(0, 255),
    mode=st.integers(0, 7),
    duties=st.lists(st.floats(0.0, 100.0), min_size=1, max_size=6),
    step=st.sampled_from([1, 2, 4, 5]),
)
def test_any_use_ends_as_it_began(
    chips: MadeUpChips, value: int, mode: int, duties: list[float], step: int
) -> None:
    """Whatever a chip was set to and whatever is set since, it is put back to a step."""
    write(chips, "pwm1", str(value))
    write(chips, "pwm1_enable", str(mode))
    chips.step = step
    control = control_of(chips)
    saved = control.own_control()

    for duty in duties:
        control.set_duty(duty)
        assert control.duty_percent() == pytest.approx(duty, abs=2.0)
    control.give_back(saved)

    now = contents(chips.heron)
    assert now["pwm1_enable"] == str(mode)
    assert abs(int(now["pwm1"]) - value) <= step
