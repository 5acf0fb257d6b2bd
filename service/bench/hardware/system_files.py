"""Files for a Linux system, ready to be used: who may set speeds, and a service that serves."""

import re
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from service.bench.hardware.hwmon_chips import Chip

__all__ = ["GROUP", "permission_rule", "service_unit"]

GROUP: Final = "evenhush"
"""The group that may set speeds."""
_RULE: Final = "/etc/udev/rules.d/85-evenhush.rules"
_UNIT: Final = "evenhush-bench.service"


def permission_rule(bench: str, files: Mapping[tuple[Chip, str | None], Sequence[str]]) -> str:
    """Make a udev rule that lets a group set the speeds of a bench, and nothing else.

    udev's own ``MODE`` and ``GROUP`` are about devices, not about these files, so it runs two
    programs on them whenever the chip appears.

    Parameters
    ----------
    bench : str
        Name of the bench.
    files : mapping of (Chip, str or None) to sequence of str
        The names of the files to be set, by chip and the part of the device's path that tells it
        from another of the same name.

    Returns
    -------
    str
        The rule, explained.
    """
    lines = [
        f'# Lets the group "{GROUP}" set the speeds of bench {_plain(bench)}, and nothing else.',
        "#",
        "# 1. Make the group, and put into it who runs the bench (for USER write the name):",
        f"#      sudo groupadd --system --force {GROUP}",
        f"#      sudo usermod --append --groups {GROUP} USER",
        "# 2. Save this rule:",
        f"#      evenhush hardware permissions | sudo tee {_RULE}",
        "# 3. Let it take effect now; a new login brings the group:",
        "#      sudo udevadm control --reload",
        "#      sudo udevadm trigger --action=add --subsystem-match=hwmon",
        "#",
        "# Whoever is in the group can stop these fans with the processor hot. To take it back,",
        "# delete the file and restart the machine.",
    ]
    chgrp, chmod = (shutil.which(name) or f"/usr/bin/{name}" for name in ("chgrp", "chmod"))
    for (chip, device), names in files.items():
        above = "" if re.fullmatch("hwmon[0-9]+", chip.folder.name) else "device/"
        paths = " ".join(f"/sys%p/{above}{name}" for name in names)
        conditions = ['ACTION=="add"', 'SUBSYSTEM=="hwmon"', f'ATTR{{{above}name}}=="{chip.name}"']
        if device is not None:
            conditions.append(f'DEVPATH=="*{_literal(device)}*"')
        commands = [f'RUN+="{chgrp} {GROUP} {paths}"', f'RUN+="{chmod} g+w {paths}"']
        lines.append(", \\\n  ".join([", ".join(conditions), *commands]))
    return "\n".join(lines) + "\n"


def service_unit(
    bench: str, *, program: Path, config: Path, data_folder: Path, user: str, grouped: bool
) -> str:
    """Make a systemd unit that serves a bench and puts its fans back whatever ends it.

    Parameters
    ----------
    bench : str
        Name of the bench.
    program : Path
        The command ``evenhush``.
    config : Path
        The configuration.
    data_folder : Path
        The data folder.
    user : str
        Who runs it.
    grouped : bool
        Whether that user gets his permissions from the group.

    Returns
    -------
    str
        The unit, explained.
    """
    options = ["--config", str(config), "--data", str(data_folder), "--name", bench]
    serve = " ".join(_word(word) for word in [str(program), "bench", *options])
    restore = " ".join(_word(word) for word in [str(program), "hardware", "restore", *options])
    group = [f"SupplementaryGroups={GROUP}"] if grouped else []
    lines = [
        f"# Serves bench {_plain(bench)} from every start of the machine on.",
        "#",
        "# 1. Save it, and let it run:",
        f"#      evenhush hardware unit | sudo tee /etc/systemd/system/{_UNIT}",
        "#      sudo systemctl daemon-reload",
        f"#      sudo systemctl enable --now {_UNIT}",
        "# 2. See what it does, and stop it, which hands the fans back:",
        f"#      journalctl --unit {_UNIT}",
        f"#      sudo systemctl stop {_UNIT}",
        "",
        "[Unit]",
        f"Description=Evenhush bench {_escaped(_plain(bench))}",
        "After=network.target",
        "",
        "[Service]",
        "Type=exec",
        f"User={user}",
        *group,
        f"ExecStart={serve}",
        "# Where the bench ended without handing back, killed or crashed, this does it.",
        f"ExecStopPost={restore}",
        "Restart=on-failure",
        "RestartSec=5",
        "# Time for the slowest program to give a fan back.",
        "TimeoutStopSec=30",
        "",
        "[Install]",
        "WantedBy=multi-user.target",
    ]
    return "\n".join(lines) + "\n"


def _plain(text: str) -> str:
    """Keep a name on its line."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _literal(text: str) -> str:
    """Take the meaning from the signs that a rule's pattern knows."""
    return re.sub(r"([*?\[\]|\"\\])", "?", text)


def _escaped(text: str) -> str:
    """Take the meaning from what a unit would replace."""
    return text.replace("%", "%%")


def _word(text: str) -> str:
    """Write one argument of a unit's command."""
    kept = _escaped(text).replace("\\", "\\\\").replace('"', '\\"').replace("$", "$$")
    return kept if re.fullmatch(r"[\w./:@%+=,-]+", text) else f'"{kept}"'
