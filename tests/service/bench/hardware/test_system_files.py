import configparser
import re
import shlex
from pathlib import Path

from service.bench.hardware.hwmon_chips import Chip
from service.bench.hardware.system_files import permission_rule, service_unit

HERON = Chip("heron", "platform/heron.656", Path("/sys/devices/platform/heron.656/hwmon/hwmon3"))
CRANE = Chip("crane", "platform/crane.2560", Path("/sys/devices/platform/crane.2560"))


def rules_in(text: str) -> list[str]:
    """Return the rules without what is said about them."""
    joined = text.replace("\\\n", "")
    return [line for line in joined.splitlines() if line and not line.startswith("#")]


def test_the_rule_opens_the_files_of_the_bench_and_no_others() -> None:
    """Each chip has one rule, by its name, for its files, to be read and written by the group."""
    rules = rules_in(
        permission_rule(
            "south", {(HERON, None): ["pwm1", "pwm1_enable"], (CRANE, "crane.2560"): ["pwm2"]}
        )
    )

    assert len(rules) == 2
    heron, crane = (re.split(r",\s+", rule) for rule in rules)
    assert heron[:3] == ['ACTION=="add"', 'SUBSYSTEM=="hwmon"', 'ATTR{name}=="heron"']
    assert len(heron) == 5
    assert re.fullmatch(r'RUN\+="/\S*/chgrp evenhush /sys%p/pwm1 /sys%p/pwm1_enable"', heron[3])
    assert re.fullmatch(r'RUN\+="/\S*/chmod g\+w /sys%p/pwm1 /sys%p/pwm1_enable"', heron[4])
    # This one keeps its files at the device, one level above.
    assert crane[2:4] == ['ATTR{device/name}=="crane"', 'DEVPATH=="*crane.2560*"']
    assert "/sys%p/device/pwm2" in crane[4]


def test_signs_of_a_pattern_mean_themselves() -> None:
    """A device's path cannot widen the rule beyond itself or end its text."""
    rules = rules_in(permission_rule("south", {(HERON, 'a*[b]"c'): ["pwm1"]}))

    assert 'DEVPATH=="*a??b??c*"' in rules[0]


def test_a_name_stays_in_its_comment() -> None:
    """A bench with a line end in its name makes no further rule or line."""
    text = permission_rule('a\nACTION=="add"', {(HERON, None): ["pwm1"]})

    assert len(rules_in(text)) == 1


def unit(**changes: object) -> configparser.ConfigParser:
    """Return a unit as its sections."""
    usual: dict[str, object] = {
        "program": Path("/opt/evenhush/bin/evenhush"),
        "config": Path("/etc/evenhush.toml"),
        "data_folder": Path("/var/lib/evenhush"),
        "user": "kim",
        "grouped": True,
    }
    sections = configparser.ConfigParser(interpolation=None, strict=True)
    sections.optionxform = str  # type: ignore[method-assign, assignment]
    sections.read_string(service_unit(**{"bench": "south", **usual, **changes}))  # type: ignore[arg-type]
    return sections


def test_the_unit_serves_and_restores() -> None:
    """What is started is the bench, and whatever ends it, its fans are put back after it."""
    service = unit()["Service"]

    options = ["--config", "/etc/evenhush.toml", "--data", "/var/lib/evenhush", "--name", "south"]
    program = "/opt/evenhush/bin/evenhush"
    assert shlex.split(service["ExecStart"]) == [program, "bench", *options]
    assert shlex.split(service["ExecStopPost"]) == [program, "hardware", "restore", *options]
    assert (service["User"], service["SupplementaryGroups"]) == ("kim", "evenhush")
    assert service["Restart"] == "on-failure"
    assert "SupplementaryGroups" not in unit(grouped=False)["Service"]


def test_strange_paths_are_quoted_for_a_unit() -> None:
    """Spaces, quotes and what a unit would replace arrive as they are."""
    service = unit(bench="a b", config=Path('/home/k m/100%/$x/"q".toml'))["Service"]

    assert (
        '--config "/home/k m/100%%/$$x/\\"q\\".toml" --data /var/lib/evenhush --name "a b"'
        in service["ExecStart"]
    )
