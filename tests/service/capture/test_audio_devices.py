from dataclasses import replace

import pytest

from service.capture.audio_devices import (
    InputDevice,
    choose_device,
    doubt_about,
    find_again,
    is_only_one,
)
from service.errors import DeviceNotFound


def device(label: str, index: int = 0) -> InputDevice:
    """Invent an input."""
    name, _, interface = label.rpartition(", ")
    return InputDevice(index, name, interface, 2, 48_000)


DEVICES = [
    device("USB microphone, ALSA", 0),
    device("USB microphone array, ALSA", 2),
    device("Line, ALSA", 3),
    device("Line, JACK", 5),
]


@pytest.mark.parametrize(
    ("part", "index"),
    [
        ("array", 2),
        ("ARRAY", 2),
        (" jack ", 5),
        ("usb microphone", 0),  # the whole name of one, a part of the other
        ("USB microphone, ALSA", 0),
        ("Line, ALSA", 3),
    ],
)
def test_device_by_a_part_of_its_name(part: str, index: int) -> None:
    """A part that only one input has, or its whole name, names it, in any case."""
    assert choose_device(part, DEVICES).index == index


@pytest.mark.parametrize(
    ("part", "devices", "words"),
    [
        ("usb", DEVICES, "USB microphone, ALSA; USB microphone array, ALSA"),
        ("line", DEVICES, "Line, ALSA; Line, JACK"),
        ("", DEVICES, "more than one"),
        ("headset", DEVICES, "this machine has USB microphone, ALSA; .*Line, JACK"),
        ("headset", [], "no input at all"),
    ],
)
def test_device_that_is_not_clear(part: str, devices: list[InputDevice], words: str) -> None:
    """Several or none: the candidates are listed and none is taken."""
    with pytest.raises(DeviceNotFound, match=words):
        choose_device(part, devices)


USB = device("USB microphone (hw:1,0), ALSA", 4)
LINE = device("Line (hw:0,0), ALSA", 0)


def test_device_that_is_back_where_it_was() -> None:
    """The same name is the same device, whatever its number is now."""
    now = replace(USB, index=7)

    assert find_again(USB, [LINE, now], only_one=False) is now


def test_device_that_is_plugged_in_elsewhere() -> None:
    """Only the place in its name may be another, and only if no other device has that name."""
    moved = device("USB microphone (hw:2,0), ALSA", 5)

    assert find_again(USB, [LINE, moved], only_one=True) is moved
    with pytest.raises(DeviceNotFound, match="is not there"):
        find_again(USB, [LINE, moved], only_one=False)
    with pytest.raises(DeviceNotFound, match="is not there"):
        find_again(USB, [moved, device("USB microphone (hw:3,0), ALSA", 6)], only_one=True)


def test_no_other_device_is_taken_instead() -> None:
    """A device that is gone is gone, however alike another one is."""
    for other in (LINE, device("USB microphone (hw:1,0), JACK"), device("USB microphone, ALSA")):
        only_one = other.name != "USB microphone"
        with pytest.raises(DeviceNotFound):
            find_again(USB, [other], only_one=only_one)


def test_two_of_a_kind() -> None:
    """Two microphones of one model are not the only ones of their name."""
    twin = device("USB microphone (hw:2,0), ALSA", 5)

    assert is_only_one(USB, [LINE, USB])
    assert not is_only_one(USB, [LINE, USB, twin])


@pytest.mark.parametrize(
    ("label", "words"),
    [
        ("USB microphone: Audio (hw:1,0), ALSA", None),
        ("system, JACK Audio Connection Kit", None),
        ("Microphone, Windows WDM-KS", None),
        ("pulse, ALSA", "use the device itself"),
        ("default, ALSA", "use the device itself"),
        ("plughw:1,0, ALSA", "use the device itself"),
        ("Microphone, MME", "Windows WDM-KS"),
        ("Microphone, Windows WASAPI", "enhancements"),
        ("Built-in, Core Audio", "volume"),
        ("synthesizer, JACK Audio Connection Kit", "no microphone"),
    ],
)
def test_what_stands_in_between(label: str, words: str | None) -> None:
    """Whatever may change rate or volume on the way is named with what to use instead."""
    doubt = doubt_about(device(label))

    assert (doubt is None) == (words is None)
    assert words is None or words in str(doubt)
