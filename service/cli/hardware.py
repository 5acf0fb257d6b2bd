"""``evenhush hardware``: what there is, whether it will do, putting it back, and system files."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.options import AsJson, ConfigFile, DataFolder
from service.cli.runtime import Session, open_session, print_json, remark

if TYPE_CHECKING:
    from service.bench.hardware.inspection import BenchFinding

__all__ = ["hardware"]

_TASKS = ("list", "check", "restore", "permissions", "unit")


def hardware(
    *,
    task: Annotated[
        str,
        typer.Argument(
            metavar="TASK", help="list, check, restore, permissions or unit.", show_default=False
        ),
    ],
    name: Annotated[
        str | None,
        typer.Option("--name", help="Name of the bench [default: south].", show_default=False),
    ] = None,
    config: ConfigFile = None,
    data: DataFolder = None,
    as_json: AsJson = False,
) -> int:
    """Set up the fans and pumps that 'evenhush bench' serves on this machine.

    list prints what hwmon offers, as tables for the configuration. check reads everything that is
    configured once, and changes nothing. restore puts back what a bench that was killed has left
    changed. permissions prints a udev rule that lets a group set the speeds, and unit a systemd
    unit that serves the bench.
    """
    from service.errors import SettingsError

    if task not in _TASKS:
        raise SettingsError(
            f"There is no {task!r} for hardware; there is {', '.join(_TASKS[:-1])} or {_TASKS[-1]}."
        )
    if as_json and task in {"permissions", "unit"}:
        raise SettingsError(f"'evenhush hardware {task}' prints a file as it is, not JSON.")
    if task == "restore":
        return _restore(name, config, data, as_json=as_json)
    session = open_session(config, data)
    bench = name or session.settings.bench_host.name
    if task == "list":
        return _list(session, as_json=as_json)
    if task == "check":
        return _check(session, bench, as_json=as_json)
    return _print_file(session, bench, config, unit=task == "unit")


def _restore(name: str | None, config: Path | None, data: Path | None, *, as_json: bool) -> int:
    """Put back what is left changed; with both options also where the configuration is broken."""
    from service.wiring.hardware_setup import restore_hardware

    if name is None or data is None:
        session = open_session(config, data)
        name, data = name or session.settings.bench_host.name, session.data_folder
    done = restore_hardware(name, data)
    if as_json:
        put_back = {bench: list(actuators) for bench, actuators in done.items()}
        print_json({"schema": "evenhush.hardware-restore/1", "put_back": put_back})
        return 0
    for bench, actuators in done.items():
        print(f"put back {', '.join(actuators)} of bench {bench}")
    if not done:
        print("nothing was left changed")
    return 0


def _list(session: Session, *, as_json: bool) -> int:
    """Print what hwmon offers."""
    from service.cli.hardware_tables import channels_as_json, channels_as_toml
    from service.wiring.hardware_setup import hardware_there_is

    found = hardware_there_is(session.settings.bench_host)
    if as_json:
        print_json(channels_as_json(found))
    else:
        print(channels_as_toml(found), end="")
    return 0


def _check(session: Session, bench: str, *, as_json: bool) -> int:
    """Print what was read, and what speaks against serving it."""
    from service.wiring.hardware_setup import check_hardware

    found = check_hardware(session.settings.bench_host, bench, session.data_folder)
    if as_json:
        from dataclasses import asdict

        print_json({"schema": "evenhush.hardware-check/1", "bench": bench, **asdict(found)})
    else:
        _print_finding(bench, found)
    return 1 if found.problems else 0


def _print_finding(bench: str, found: "BenchFinding") -> None:
    """Print a finding as a table with sentences below."""
    from service.cli.hardware_tables import finding_rows

    print(f"bench {bench}, as it is now:")
    rows = finding_rows(found)
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (text.ljust(width) for text, width in zip(row, widths, strict=True))
        print(("  " + "  ".join(cells)).rstrip())
    for sentence in found.remarks:
        remark(f"note: {sentence}")
    for sentence in found.problems:
        remark(f"trouble: {sentence}")
    print("it cannot be served like this" if found.problems else "it can be served")


def _print_file(session: Session, bench: str, config: Path | None, *, unit: bool) -> int:
    """Print a file for the system."""
    from service.settings import settings_file
    from service.wiring.hardware_setup import permission_rule_of, service_unit_of

    host = session.settings.bench_host
    if unit:
        text = service_unit_of(host, bench, settings_file(config), session.data_folder)
    else:
        text = permission_rule_of(host, bench, session.data_folder)
    print(text, end="")
    return 0
