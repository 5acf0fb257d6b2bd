from pathlib import Path

import pytest
from made_up_hwmon import HERON, add_chip, usual_tree

from service.bench.hardware.hwmon_chips import HwmonFolder
from service.errors import HardwareFault


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """The usual made-up tree."""
    return usual_tree(tmp_path)


def test_chips_are_listed_by_name_and_device(tree: Path, tmp_path: Path) -> None:
    """Whatever their numbers, chips come in the order of names, then of devices."""
    add_chip(tmp_path, "platform/heron.72", 0, HERON)
    add_chip(tmp_path, "virtual/thermal/thermal_zone0", 12, {"name": "zone"})

    assert [(chip.name, chip.device) for chip in HwmonFolder(tree).chips()] == [
        ("ember", "platform/ember.0"),
        ("heron", "platform/heron.72"),
        ("heron", "platform/heron.656"),
        ("zone", "virtual/thermal/thermal_zone0"),
    ]


def test_the_device_is_told_without_any_number_of_hwmon(tmp_path: Path) -> None:
    """Chips directly below their device, or without one, have a path that stays the same."""
    folder = tmp_path / "devices/virtual/thermal/thermal_zone0/hwmon4"
    folder.mkdir(parents=True)
    (folder / "name").write_text("zone")
    alone = tmp_path / "devices/virtual/hwmon/hwmon5"
    alone.mkdir(parents=True)
    (alone / "name").write_text("alone")
    root = tmp_path / "class"
    root.mkdir()
    (root / "hwmon4").symlink_to(folder)
    (root / "hwmon5").symlink_to(alone)

    assert [(chip.name, chip.device) for chip in HwmonFolder(root).chips()] == [
        ("alone", "virtual"),
        ("zone", "virtual/thermal/thermal_zone0"),
    ]


def test_files_of_older_drivers_are_found_at_the_device(tree: Path, tmp_path: Path) -> None:
    """A driver that keeps its files at the device itself is read there."""
    device = tmp_path / "devices/platform/crane.2560"
    (device / "hwmon" / "hwmon8").mkdir(parents=True)
    (device / "name").write_text("crane\n")
    (device / "pwm1").write_text("128\n")
    (device / "hwmon" / "hwmon8" / "device").symlink_to(device)
    (tree / "hwmon8").symlink_to(device / "hwmon" / "hwmon8")

    chips = HwmonFolder(tree)
    chip = chips.find_chip("crane")

    assert (chip.device, chip.folder) == ("platform/crane.2560", device.resolve())
    assert [channel.attribute for channel in chips.channels(chip, "pwm")] == ["pwm1"]


def test_a_nameless_entry_is_no_chip(tree: Path) -> None:
    """What has no name anywhere is left out."""
    (tree / "hwmon77").mkdir()

    assert len(HwmonFolder(tree).chips()) == 2


def test_no_folder(tmp_path: Path) -> None:
    """Where there is no hwmon at all, the other driver is named."""
    with pytest.raises(HardwareFault, match=r"part of Linux.*driver 'command'"):
        HwmonFolder(tmp_path / "none").chips()


def test_an_unknown_chip_is_refused_with_those_there_are(tree: Path) -> None:
    """A misspelt name, or a driver that is not loaded, is told with what is there."""
    with pytest.raises(HardwareFault, match=r"no chip 'hero' .*there is ember, heron.*driver load"):
        HwmonFolder(tree).find_chip("hero")


def test_two_chips_of_one_name_need_a_part_of_the_path(tree: Path, tmp_path: Path) -> None:
    """Both are listed, and a part of the path that one of them has decides."""
    add_chip(tmp_path, "usb1/1-4", 0, HERON)
    chips = HwmonFolder(tree)

    with pytest.raises(
        HardwareFault, match=r"2 chips are named 'heron': platform/heron.656, usb1/1-4; set device"
    ):
        chips.find_chip("heron")
    with pytest.raises(HardwareFault, match="2 chips are named"):
        chips.find_chip("heron", "/")
    with pytest.raises(HardwareFault, match=r"No chip 'heron' has '1-5'.*heron.656, usb1/1-4"):
        chips.find_chip("heron", "1-5")
    assert chips.find_chip("heron", "1-4").device == "usb1/1-4"


def test_channels_come_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    """Ten comes after two, and files beside a channel are not taken for one."""
    names = ["pwm1", "pwm2", "pwm10", "pwm2_enable", "pwm1_auto_point1_pwm", "pwm0", "pwmx"]
    add_chip(tmp_path, "a", 0, {"name": "crane", **dict.fromkeys(names, "1")})
    chips = HwmonFolder(tmp_path / "class" / "hwmon")

    found = chips.channels(chips.find_chip("crane"), "pwm")

    assert [channel.attribute for channel in found] == ["pwm1", "pwm2", "pwm10"]


@pytest.mark.parametrize(
    ("kind", "wanted", "attribute"),
    [
        ("pwm", "pwm1", "pwm1"),
        ("pwm", "Pump", "pwm2"),
        ("fan", "fan3", "fan3"),
        ("fan", "Pump", "fan2"),
        ("temp", "temp1", "temp1"),
    ],
)
def test_a_channel_is_found_by_name_or_label(
    tree: Path, kind: str, wanted: str, attribute: str
) -> None:
    """What sets a speed may be called by the label of its tachometer."""
    chips = HwmonFolder(tree)

    assert chips.find_channel(chips.find_chip("heron"), kind, wanted).attribute == attribute


@pytest.mark.parametrize(
    ("kind", "wanted", "words"),
    [
        ("pwm", "pwm3", "no 'pwm3' that sets a speed; it has pwm1, pwm2"),
        ("fan", "Rear", r"no 'Rear' that reads a speed; it has fan1, fan2 \(Pump\), fan3"),
        ("temp", "fan1", "no 'fan1' that reads a temperature; it has temp1"),
    ],
)
def test_an_unknown_channel_is_refused_with_those_there_are(
    tree: Path, kind: str, wanted: str, words: str
) -> None:
    """What the chip has is listed with its labels."""
    chips = HwmonFolder(tree)

    with pytest.raises(HardwareFault, match=words):
        chips.find_channel(chips.find_chip("heron"), kind, wanted)


def test_a_label_of_two_channels_is_refused(tmp_path: Path) -> None:
    """Where a label does not decide, the names do."""
    files = {"name": "crane", "temp1_input": "1", "temp2_input": "2"}
    add_chip(tmp_path, "a", 0, {**files, "temp1_label": "Core", "temp2_label": "Core"})
    chips = HwmonFolder(tmp_path / "class" / "hwmon")

    with pytest.raises(
        HardwareFault, match="2 channels of crane are called 'Core'; name one of te"
    ):
        chips.find_channel(chips.find_chip("crane"), "temp", "Core")


def test_words_of_a_file_stay_on_one_line_and_bounded(tree: Path) -> None:
    """A label of control signs, other encodings or great length does no harm."""
    heron = (tree / "hwmon3").resolve()
    (heron / "fan1_label").write_bytes(b"A\x1b[31m\n\xff" + b"x" * 5000)
    chips = HwmonFolder(tree)

    label = chips.channels(chips.find_chip("heron"), "fan")[0].label

    assert label is not None
    assert label.startswith("A?[31m?")
    assert label.isprintable()
    assert len(label) <= 128
