"""What is listed of the inputs of a machine."""

import pytest

from service.capture import device_process
from service.capture.audio_devices import InputDevice
from service.documents.inputs import InputsDocument
from service.errors import DeviceNotFound, SettingsError
from service.wiring.inputs import inputs_document, list_inputs, open_input


def device(name, interface="ALSA", rates_hz=(44_100, 48_000)):
    """Invent an input."""
    return InputDevice(0, name, interface, 2, 44_100.0, default=False, rates_hz=rates_hz)


def listed(*devices, rate_hz=48_000):
    """List inputs, through JSON and back."""
    document = inputs_document(devices, rate_hz=rate_hz)
    return InputsDocument.from_json(document.to_json(), "x").inputs


def test_direct_inputs_come_first_and_the_others_say_why_not():
    """The device itself is recommended over what stands in front of it."""
    parts = listed(device("pulse"), device("USB microphone (hw:1,0)"), device("default"))

    assert [part.name for part in parts] == ["USB microphone (hw:1,0)", "pulse", "default"]
    assert [part.direct for part in parts] == [True, False, False]
    assert parts[0].warnings == []
    assert all("use the device itself" in part.warnings[0] for part in parts[1:])


def test_every_input_is_named_so_that_no_other_is_meant():
    """A name that two audio systems list is told from the other by its audio system."""
    parts = listed(
        device("Line", "Windows WDM-KS"),
        device("Line", "MME"),
        device("Line in", "MME"),
        device("Twin", "ASIO"),
        device("Twin", "ASIO"),
    )
    named = {(part.name, part.interface): part.input for part in parts}

    assert named == {
        ("Line", "Windows WDM-KS"): "device:Line, Windows WDM-KS",
        ("Line", "MME"): "device:Line, MME",
        ("Line in", "MME"): "device:Line in",
        ("Twin", "ASIO"): None,
    }
    assert all("same name" in part.warnings[0] for part in parts if part.input is None)


@pytest.mark.parametrize(
    ("rates_hz", "words"),
    [
        ((44_100, 48_000), None),
        ((44_100, 96_000), "does not take 48000 Hz"),
        ((), "whether another program has it"),
    ],
)
def test_rates_that_do_not_fit(rates_hz, words):
    """A device without the rate that is set, or that tells none, says so."""
    (part,) = listed(device("USB microphone (hw:1,0)", rates_hz=rates_hz))

    assert [text for text in part.warnings if words and words in text] == part.warnings
    assert bool(part.warnings) == (words is not None)


def test_a_machine_without_inputs(monkeypatch):
    """It is said what to do, and what works without a device."""
    monkeypatch.setattr(device_process, "list_inputs", lambda: ())

    with pytest.raises(DeviceNotFound, match=r"plug in a microphone.*file:PATH"):
        list_inputs(rate_hz=48_000)


def test_an_input_without_a_name(tmp_path):
    """A kind of input alone names nothing."""
    with pytest.raises(SettingsError, match="names nothing after the colon"):
        open_input(
            "device: ",
            rate_hz=48_000,
            channels=1,
            data_folder=tmp_path,
            position="room",
            device_return_s=0.0,
            tell=print,
        )


def test_a_device_is_opened_as_configured(tmp_path, monkeypatch):
    """How long it is waited for, and who is told, comes from whoever opens it."""
    opened = []
    monkeypatch.setattr(
        "service.capture.device.DeviceSource", lambda name, **asked: opened.append((name, asked))
    )
    asked = {"rate_hz": 44_100, "channels": 2}
    open_input(
        "device:a: b",
        **asked,
        data_folder=tmp_path,
        position="room",
        device_return_s=7.0,
        tell=print,
    )

    assert opened == [("a: b", {**asked, "return_s": 7.0, "tell": print})]
