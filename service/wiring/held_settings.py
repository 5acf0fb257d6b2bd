"""What is to be held: one setting out of files of matched settings, or full speed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from calibration.bench_state import BenchDescription
from calibration.results import MatchedActuator
from service.documents.comparison import RunLevelPart
from service.documents.matched_settings import (
    CoolerPart,
    LevelPart,
    MatchedSettingsDocument,
    PairPart,
    SettingPart,
)
from service.errors import DocumentError
from service.jobs.rechecking import check_bench
from service.storage.document_files import read_document_text
from service.wiring.run_settings import matched_level

__all__ = ["WantedSetting", "choose_setting"]

_SAME_DB: Final = 0.05
_SAME_PERCENT: Final = 0.5


@dataclass(frozen=True, slots=True)
class WantedSetting:
    """What is to be held, and where it is from."""

    cooler: str
    """What is mounted."""
    target_db: float | None
    """Level that it was matched to; None at full speed."""
    file: str | None
    """File of its settings; None at full speed."""
    actuators: Mapping[str, MatchedActuator]
    """Duty and speed by actuator; empty at full speed."""
    level_db: float | None
    """What the microphone read; None where that is not known."""
    cooler_level: RunLevelPart | None
    """Level of the cooler alone; None where that is not known."""
    part: CoolerPart | None
    """The matched cooler; None at full speed."""

    def on(self, bench: BenchDescription) -> Mapping[str, MatchedActuator]:
        """Return the duties on a bench.

        Parameters
        ----------
        bench : BenchDescription
            The bench.

        Returns
        -------
        mapping of str to MatchedActuator
            Those that were matched, or the highest ones.

        Raises
        ------
        SettingsError
            If it was matched on another bench.
        """
        if self.part is None:
            return {
                name: MatchedActuator(actuator.max_duty_percent, None)
                for name, actuator in bench.actuators.items()
            }
        check_bench(self.part, bench)
        return self.actuators


def choose_setting(
    paths: Sequence[Path],
    cooler: str,
    *,
    target_db: float | None = None,
    pump_percent: float | None = None,
) -> WantedSetting:
    """Find the setting of a cooler in files of matched settings.

    Parameters
    ----------
    paths : sequence of Path
        The files.
    cooler : str
        What is mounted.
    target_db : float, optional
        Level that it was matched to, where the files have several.
    pump_percent : float, optional
        Pump duty of the pair to hold, of a cooler with a curve of them.

    Returns
    -------
    WantedSetting
        The setting.

    Raises
    ------
    DocumentError
        If a file cannot be used, or not exactly one setting fits.
    """
    found: list[WantedSetting] = []
    names: list[str] = []
    for path in paths:
        text = read_document_text(path, "file of matched settings")
        document = MatchedSettingsDocument.from_json(text, str(path))
        names += [part.cooler for part in document.coolers]
        for part in document.coolers:
            if part.cooler.casefold() == cooler.casefold():
                found += _of_part(document, part, str(path), pump_percent)
    where = ", ".join(map(str, paths))
    if not found:
        have = ", ".join(dict.fromkeys(names)) or "no cooler"
        raise DocumentError(
            f"{where} gives no setting of {cooler!r} to hold; it has {have}. Check the name"
            + (" and the pump's duty." if pump_percent is not None else ".")
        )
    if target_db is not None:
        targets = sorted({one.target_db for one in found if one.target_db is not None})
        found = [
            one
            for one in found
            if one.target_db is not None and abs(one.target_db - target_db) <= _SAME_DB
        ]
        if not found:
            raise DocumentError(
                f"{where} gives no setting of {cooler!r} at {target_db:g} dB(A); it has "
                f"{', '.join(f'{each:g}' for each in targets)}."
            )
    if len(found) > 1:
        targets_text = ", ".join(f"{one.target_db:g}" for one in found if one.target_db is not None)
        raise DocumentError(
            f"{where} gives {len(found)} settings of {cooler!r} ({targets_text} dB(A)); say which "
            "with --target-db."
        )
    return found[0]


def _of_part(
    document: MatchedSettingsDocument, part: CoolerPart, file: str, pump_percent: float | None
) -> list[WantedSetting]:
    """Settings of one entry."""
    given: Sequence[CoolerPart | PairPart] = [part]
    if pump_percent is not None:
        of_curve: Sequence[CoolerPart | PairPart] = part.curve or [part]
        given = [
            each
            for each in of_curve
            if any(
                name.startswith("pump") and abs(one.duty_percent - pump_percent) <= _SAME_PERCENT
                for name, one in (each.settings or {}).items()
            )
        ]
    return [
        _wanted(document, part, file, each.settings, each.level) for each in given if each.settings
    ]


def _wanted(
    document: MatchedSettingsDocument,
    part: CoolerPart,
    file: str,
    settings: Mapping[str, SettingPart],
    level: LevelPart | None,
) -> WantedSetting:
    """One setting."""
    target_db = document.target.LAeq_db
    if target_db is None and level is not None:
        target_db = level.LAeq_db
    return WantedSetting(
        cooler=part.cooler,
        target_db=target_db,
        file=file,
        actuators={
            name: MatchedActuator(each.duty_percent, each.rpm) for name, each in settings.items()
        },
        level_db=None if level is None else level.as_read_db,
        cooler_level=None
        if level is None or document.chain.void
        else matched_level(level, document.chain),
        part=part,
    )
