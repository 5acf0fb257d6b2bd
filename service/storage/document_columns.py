"""Which columns of the archive a document fills, and whether it may go in."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from pydantic_core import PydanticSerializationError

from service.documents.base import Document
from service.documents.calibration import CalibrationDocument
from service.documents.cooler import CoolerDocument
from service.documents.floor import FloorDocument
from service.documents.kept_sound import KeptSoundDocument
from service.documents.matched_settings import CoolerPart, MatchedSettingsDocument, SettingPart
from service.documents.profile import ProfileDocument
from service.documents.recheck import RecheckDocument
from service.errors import DocumentError
from service.storage.tables import (
    Base,
    Calibration,
    Cooler,
    FloorCheck,
    Match,
    Profile,
    Recheck,
    Sound,
)

__all__ = ["FILED", "Filing", "checked_plain", "columns_of"]


def checked_plain(document: Document) -> dict[str, Any]:
    """Return a document as JSON types after looking whether it is one.

    Parameters
    ----------
    document : Document
        The document; a copy with other values may have become anything.

    Returns
    -------
    dict
        What is published, and kept.

    Raises
    ------
    DocumentError
        If it does not keep to its schema.
    """
    try:
        plain = document.model_dump(mode="json", by_alias=True, warnings=False)
    except PydanticSerializationError as error:
        raise DocumentError(f"What is to be kept is no {document.kind}: {error}.") from error
    type(document).from_json(json.dumps(plain), "What is to be kept")
    return plain


@dataclass(frozen=True, slots=True)
class Filing:
    """How documents of one kind are filed."""

    document: type[Document]
    """What they are."""
    columns: Callable[[Any], dict[str, Any]]
    """Returns the columns that one fills."""


def columns_of(row: type[Base], plain: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return the columns that a document as JSON types fills.

    Parameters
    ----------
    row : type
        The table it is filed in.
    plain : mapping
        The document.
    where : str
        What to call it in an error's sentence.

    Returns
    -------
    dict
        Values by column.

    Raises
    ------
    DocumentError
        If it is no document of that kind.
    """
    filing = FILED[row]
    return filing.columns(filing.document.from_json(json.dumps(plain), where))


def _of_calibration(document: CalibrationDocument) -> dict[str, Any]:
    return {
        "time": document.time,
        "input": document.input or "",
        "channel": document.channel,
        "accepted": document.accepted,
        "pascal_per_unit": document.pascal_per_unit,
        "U95_db": document.U95_db,
    }


def _of_floor(document: FloorDocument) -> dict[str, Any]:
    return {
        "time": document.time,
        "input": document.input,
        "LAeq_db": document.LAeq_db,
        "LA90_db": document.LA90_db,
        "U95_db": document.U95_db,
        "fit_for_target_db": document.fit_for_target_db,
    }


def _of_cooler(document: CoolerDocument) -> dict[str, Any]:
    return {"name": document.cooler}


def _of_profile(document: ProfileDocument) -> dict[str, Any]:
    return {
        "time": document.time,
        "cooler": document.cooler,
        "bench": document.bench,
        "input": document.input,
        "outcome": document.outcome,
        "pump": document.pump,
    }


def _of_match(document: MatchedSettingsDocument) -> dict[str, Any]:
    if len(document.coolers) != 1:
        raise DocumentError(
            f"Matches are kept one by one, and not {len(document.coolers)} in one document."
        )
    part = document.coolers[0]
    fan, pump = _first_of(part, "fan"), _first_of(part, "pump")
    return {
        "time": document.time,
        "cooler": part.cooler,
        "bench": part.bench,
        "target_db": document.target.LAeq_db,
        "target_sone": document.target.N_sone,
        "tolerance_db": document.target.tolerance_db,
        "outcome": part.outcome,
        "LAeq_db": None if part.level is None else part.level.LAeq_db,
        "U95_db": None if part.level is None else part.level.U95_db,
        "floor_LAeq_db": part.floor.LAeq_db,
        "margin_db": part.margin_db,
        "fan_duty_percent": None if fan is None else fan.duty_percent,
        "fan_rpm": None if fan is None else fan.rpm,
        "pump_duty_percent": None if pump is None else pump.duty_percent,
        "pump_rpm": None if pump is None else pump.rpm,
        "drift_db": document.chain.drift_db,
        "void": document.chain.void,
    }


def _first_of(part: CoolerPart, role: str) -> SettingPart | None:
    """Return the setting of a role: actuators are named after it, as in ``fan`` or ``fan_2``."""
    named = sorted((part.settings or {}).items())
    return next((setting for name, setting in named if name.startswith(role)), None)


def _of_recheck(document: RecheckDocument) -> dict[str, Any]:
    if len(document.coolers) != 1:
        raise DocumentError(
            f"Rechecks are kept one by one, and not {len(document.coolers)} in one document."
        )
    part = document.coolers[0]
    return {
        "time": document.time,
        "cooler": part.cooler,
        "bench": part.bench,
        "outcome": part.outcome,
        "holds": part.holds,
        "then_LAeq_db": part.then.LAeq_db,
        "difference_db": part.difference_db,
        "difference_U95_db": part.difference_U95_db,
    }


def _of_sound(document: KeptSoundDocument) -> dict[str, Any]:
    return {
        "time": document.time,
        "rate_hz": document.rate_hz,
        "channels": document.channels,
        "duration_s": document.duration_s,
        "command": document.command,
        "cooler": document.cooler,
    }


FILED: Final[Mapping[type[Base], Filing]] = {
    Calibration: Filing(CalibrationDocument, _of_calibration),
    FloorCheck: Filing(FloorDocument, _of_floor),
    Cooler: Filing(CoolerDocument, _of_cooler),
    Profile: Filing(ProfileDocument, _of_profile),
    Match: Filing(MatchedSettingsDocument, _of_match),
    Recheck: Filing(RecheckDocument, _of_recheck),
    Sound: Filing(KeptSoundDocument, _of_sound),
}
"""Every table with documents."""
