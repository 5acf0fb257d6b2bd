"""``evenhush data``: looking through the archive, and moving it to another place or database."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.options import AsJson, ConfigFile, DataFolder
from service.cli.runtime import Session, open_session, print_json, remark

if TYPE_CHECKING:
    from service.documents.data_check import DataCheckDocument
    from service.storage.archive import Archive

__all__ = ["data", "open_kept"]

_TASKS = ("check", "export", "import")


def data(
    *,
    task: Annotated[
        str, typer.Argument(metavar="TASK", help="check, export or import.", show_default=False)
    ],
    place: Annotated[
        Path | None,
        typer.Argument(
            metavar="PLACE",
            help="Where an export goes or comes from: a folder, or a file that ends in .zip.",
            show_default=False,
        ),
    ] = None,
    forget_missing: Annotated[
        bool,
        typer.Option(
            "--forget-missing", help="With check: refer no more to files that are missing."
        ),
    ] = False,
    config: ConfigFile = None,
    data_folder: DataFolder = None,
    as_json: AsJson = False,
) -> int:
    """Look through everything that was measured, or move it.

    check finds what is damaged, missing or left over, says what to do, and changes nothing.
    export writes everything that is in the archive in an open form. import takes from an export
    what the archive does not have, all of it or nothing.
    """
    from service.errors import SettingsError

    if task not in _TASKS:
        raise SettingsError(
            f"There is no {task!r} for data; there is {', '.join(_TASKS[:-1])} or {_TASKS[-1]}."
        )
    if task == "check" and place is not None:
        raise SettingsError("'evenhush data check' looks through the archive and takes no place.")
    if task != "check" and place is None:
        raise SettingsError(f"Name a folder or a .zip file: 'evenhush data {task} PLACE'.")
    if task != "check" and forget_missing:
        raise SettingsError("--forget-missing goes with 'evenhush data check'.")
    session = open_session(config, data_folder)
    with open_kept(session, begin=task == "import") as archive:
        if place is None:
            return _check(archive, forget_missing=forget_missing, as_json=as_json)
        if task == "export":
            return _export(archive, place, as_json=as_json)
        return _import(archive, place, as_json=as_json)


def open_kept(session: Session, *, begin: bool) -> "Archive":
    """Open the archive that the configuration names; begin one only where something goes in."""
    from service.errors import SettingsError
    from service.storage.database import database_address
    from service.wiring.archiving import open_archive

    address = database_address(session.settings.database_url, session.data_folder)
    if not begin and address.drivername == "sqlite" and not Path(str(address.database)).exists():
        raise SettingsError(
            f"There is no archive {address.database} yet; check --data, or measure something."
        )
    archive = open_archive(session.settings, session.data_folder)
    if archive.copy_before_upgrade is not None:
        remark(
            f"the database was upgraded; as it was before it is in {archive.copy_before_upgrade}"
        )
    return archive


def _check(archive: "Archive", *, forget_missing: bool, as_json: bool) -> int:
    """Look through the archive."""
    from service.cli.progress import progress_bar
    from service.storage.checking import check_archive
    from service.storage.checking import forget_missing as forget

    with progress_bar("looking through the archive") as progress:
        found = check_archive(archive, progress=progress)
    if as_json:
        print_json(found.to_plain())
    else:
        _show(found)
    if not forget_missing:
        return 1 if found.findings else 0
    count = forget(archive, found.findings)
    remark(f"files that are missing and not referred to any more: {count}")
    return 1 if len(found.findings) > count else 0


def _show(found: "DataCheckDocument") -> None:
    """Print what is wrong for a person."""
    for finding in found.findings:
        print(f"{finding.kind}: {finding.what}")
        print(f"  {finding.why}")
        print(f"  {finding.advice}")
    looked = f"{sum(found.entries.values())} entries and {found.files} files of {found.database}"
    if not found.findings:
        print(f"all is well with {looked}")
    else:
        print(f"found in {looked}: {len(found.findings)}")


def _export(archive: "Archive", place: Path, *, as_json: bool) -> int:
    """Write everything out."""
    from service.cli.progress import progress_bar
    from service.storage.exporting import export_archive

    with progress_bar("exporting") as progress:
        counts = export_archive(archive, place, tell=remark, progress=progress)
    if as_json:
        print_json({"schema": "evenhush.data-export/1", "place": str(place), "entries": counts})
    else:
        _show_counts(counts)
        print(f"exported: {place}")
    return 0


def _import(archive: "Archive", place: Path, *, as_json: bool) -> int:
    """Take everything in."""
    from dataclasses import asdict

    from service.cli.progress import progress_bar
    from service.storage.importing import import_archive

    with progress_bar("importing") as progress:
        counts = import_archive(archive, place, progress=progress)
    if as_json:
        plain = {kind: asdict(count) for kind, count in counts.items()}
        print_json({"schema": "evenhush.data-import/1", "place": str(place), "entries": plain})
    else:
        _show_counts({kind: count.added for kind, count in counts.items()}, "new ")
        for words, number in (
            ("changed since", sum(count.replaced for count in counts.values())),
            ("known already", sum(count.known for count in counts.values())),
        ):
            print(f"{number} entries were {words}")
        print(f"imported: {place}")
    return 0


def _show_counts(counts: dict[str, int], which: str = "") -> None:
    """Print how many entries of each kind there were."""
    for kind, count in counts.items():
        print(f"{count:8d} {which}{kind.replace('_', ' ')}")
