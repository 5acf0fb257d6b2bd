"""What hardware was found, as tables for the configuration, for scripts and for a person."""

import json
import re
from itertools import groupby
from typing import Any

from service.bench.hardware.inspection import BenchFinding, ChannelFinding

__all__ = ["channels_as_json", "channels_as_toml", "finding_rows"]

_HEAD = """\
# What hwmon offers on this machine, as tables for the configuration. Keep what belongs to the
# cooler under test and the temperatures that guard it; delete the rest, and give shorter names.
# Which channel moves which fan shows only when it is set: try it with a cool, idle machine.

[bench_host]
driver = "hwmon"
"""
_UNIT = {"pwm": "%", "fan": "rpm", "temp": "°C"}
_JSON_NAME = {"pwm": "duty_percent", "fan": "rpm", "temp": "temperature_c"}


def channels_as_json(found: list[ChannelFinding]) -> dict[str, Any]:
    """Return all channels for scripts, chip by chip."""
    chips = []
    for chip, findings in groupby(found, key=lambda finding: finding.chip):
        channels = [
            {
                "attribute": finding.channel.attribute,
                "label": finding.channel.label,
                _JSON_NAME[finding.channel.kind]: finding.reads,
                "remark": finding.why or None,
            }
            for finding in findings
        ]
        chips.append({"chip": chip.name, "device": chip.device, "channels": channels})
    return {"schema": "evenhush.hardware-list/1", "chips": chips}


def channels_as_toml(found: list[ChannelFinding]) -> str:
    """Return all channels as tables that the configuration takes once roles and limits are in."""
    if not any(finding.channel.kind == "pwm" for finding in found):
        head = _HEAD + "# No chip here sets a speed; is its driver loaded?\n"
    else:
        head = _HEAD
    chips = list(dict.fromkeys(finding.chip for finding in found))
    lines = []
    for chip, grouped in groupby(found, key=lambda finding: finding.chip):
        findings = list(grouped)
        same = [other for other in chips if other.name == chip.name]
        lines.append(f"\n# {chip.name}, device {chip.device}")
        keys = [f"chip = {_quoted(chip.name)}"]
        short = _short(chip.name)
        if len(same) > 1:
            keys.append(f"device = {_quoted(chip.device)}")
            short += f"-{same.index(chip) + 1}"
        fans = {f.channel.number: f for f in findings if f.channel.kind == "fan"}
        for finding in findings:
            name = f"{short}-{finding.channel.attribute}"
            match finding.channel.kind:
                case "pwm":
                    lines += _actuator(name, finding, keys, fans.pop(finding.channel.number, None))
                case "temp":
                    lines += _temperature(name, finding, keys)
        lines += [f"# only read, not set: {_remark(fan)}" for fan in fans.values()]
    return head + "\n".join(lines) + ("\n" if lines else "")


def finding_rows(found: BenchFinding) -> list[tuple[str, ...]]:
    """Return a finding as rows of cells for a person."""
    rows: list[tuple[str, ...]] = [
        (
            actuator.name,
            _number(actuator.duty_percent, ".1f", "%"),
            _number(actuator.rpm, ".0f", "rpm"),
            actuator.control,
            actuator.where,
        )
        for actuator in found.actuators
    ]
    for temperature in found.temperatures:
        limit_c = temperature.limit_c
        limit = "no limit" if limit_c is None else f"limit {limit_c:g} °C"
        read = _number(temperature.temperature_c, ".1f", "°C")
        rows.append((temperature.name, read, "", limit, ""))
    return rows


def _actuator(
    name: str, finding: ChannelFinding, keys: list[str], fan: ChannelFinding | None
) -> list[str]:
    """Return the table of an actuator."""
    lines = [
        "",
        f"[bench_host.actuators.{name}]",
        'role = "?"  # fan or pump',
        *keys,
        f"pwm = {_quoted(finding.channel.attribute)}  # {_remark(finding)}",
    ]
    if fan is not None:
        lines.append(f"tachometer = {_quoted(fan.channel.attribute)}  # {_remark(fan)}")
    return lines


def _temperature(name: str, finding: ChannelFinding, keys: list[str]) -> list[str]:
    """Return the table of a temperature."""
    return [
        "",
        f"[bench_host.temperatures.{name}]",
        *keys,
        f"sensor = {_quoted(finding.channel.attribute)}  # {_remark(finding)}",
        "# limit_c = 90",
    ]


def _short(chip: str) -> str:
    """Return the name of a chip as the beginning of names in the configuration."""
    plain = re.sub(r"[^a-z0-9]+", "-", chip.lower()).strip("-")
    return plain if plain[:1].isalpha() else f"chip-{plain}"


def _remark(finding: ChannelFinding) -> str:
    """Say what a channel is and reads."""
    said = str(finding.channel)
    if finding.reads is None:
        return f"{said}: {finding.why}"
    unit = _UNIT[finding.channel.kind]
    places = 1 if unit == "°C" else 0
    return f"{said}: {finding.reads:.{places}f} {unit} now" + (finding.why and f", {finding.why}")


def _quoted(text: str) -> str:
    """Write a string as TOML does."""
    return json.dumps(text, ensure_ascii=False)


def _number(value: float | None, form: str, unit: str) -> str:
    """Write a number with its unit; a dash where there is none."""
    return "-" if value is None else f"{value:{form}} {unit}"
