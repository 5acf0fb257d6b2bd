"""The matched settings and profiles that thermal runs belong to."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from service.documents.comparison import RunLevelPart
from service.documents.matched_settings import (
    ChainPart,
    CoolerPart,
    LevelPart,
    MatchedSettingsDocument,
    PairPart,
    SettingPart,
)
from service.documents.profile import ProfileDocument
from service.errors import DocumentError
from service.storage.document_files import read_document_text

__all__ = ["FULL_SPEED", "KnownSetting", "matched_level", "read_settings_files", "setting_of"]

FULL_SPEED: Final = "full speed"
_SAME_TARGET_DB: Final = 0.05
_SAME_SPEED: Final = 0.04


@dataclass(frozen=True, slots=True)
class KnownSetting:
    """A setting of a cooler whose level is known."""

    cooler: str
    """Its cooler."""
    target_db: float | None
    """Level that it was matched to; None at full speed."""
    rpm: Mapping[str, float]
    """Mean speed of the fans and of the pump, those that are known."""
    level: RunLevelPart
    """Its level."""

    @property
    def at(self) -> str:
        """Where it is set, in words."""
        return FULL_SPEED if self.target_db is None else f"{self.target_db:g} dB(A)"


def read_settings_files(paths: Sequence[Path]) -> list[KnownSetting]:
    """Read matched settings and profiles.

    Parameters
    ----------
    paths : sequence of Path
        Their files.

    Returns
    -------
    list of KnownSetting
        Every setting that has a level: matched ones, pairs of a curve, and full speed of profiles.

    Raises
    ------
    DocumentError
        If one cannot be read or is neither.
    """
    found: list[KnownSetting] = []
    for path in paths:
        text = read_document_text(path, "document of matched settings")
        try:
            schema = json.loads(text).get("schema")
        except (ValueError, AttributeError):
            schema = None
        if schema == "evenhush.profile/1":
            found += _of_profile(ProfileDocument.from_json(text, str(path)))
        elif schema == "evenhush.matched-settings/1":
            found += _of_matches(MatchedSettingsDocument.from_json(text, str(path)))
        else:
            raise DocumentError(
                f"{path} is neither a document of matched settings nor a profile; give what "
                "'evenhush match' or 'evenhush sweep' wrote."
            )
    return found


def _of_profile(document: ProfileDocument) -> list[KnownSetting]:
    """Full speed of a profile."""
    point = document.highest
    if point is None or point.U95_db is None:
        return []
    return [
        KnownSetting(
            document.cooler,
            None,
            {} if point.fan_rpm is None else {"fan": point.fan_rpm},
            RunLevelPart(
                LAeq_db=point.LAeq_db,
                U95_db=point.U95_db,
                U95_absolute_db=float(np.hypot(point.U95_db, document.U95_absolute_db)),
                source="profile",
            ),
        )
    ]


def _of_matches(document: MatchedSettingsDocument) -> list[KnownSetting]:
    """All settings of a document that have a level."""
    chain, target_db = document.chain, document.target.LAeq_db
    if chain.void:
        raise DocumentError(
            "The microphone drifted too far during the series of "
            f"{', '.join(part.cooler for part in document.coolers)}, so its levels are void; "
            "match again."
        )
    found = []
    for part in document.coolers:
        given: Sequence[CoolerPart | PairPart] = part.curve or [part]
        pairs: list[tuple[dict[str, SettingPart], LevelPart]] = [
            (each.settings, each.level)
            for each in given
            if each.settings is not None and each.level is not None
        ]
        for settings, level in pairs:
            found.append(
                KnownSetting(
                    part.cooler,
                    level.LAeq_db if target_db is None else target_db,
                    _speeds(settings),
                    matched_level(level, chain),
                )
            )
    return found


def matched_level(level: LevelPart, chain: ChainPart) -> RunLevelPart:
    """Put what is known of a matched level together for a comparison.

    Parameters
    ----------
    level : LevelPart
        The level.
    chain : ChainPart
        The measuring chain it was heard with.

    Returns
    -------
    RunLevelPart
        The level with its intervals.
    """
    return RunLevelPart(
        LAeq_db=level.LAeq_db,
        # What both sides of a difference have is half of what it has.
        U95_db=float(np.hypot(level.U95_db, chain.U95_comparative_db / np.sqrt(2.0))),
        U95_absolute_db=float(np.hypot(level.U95_db, chain.U95_absolute_db)),
        source="settings",
    )


def _speeds(settings: Mapping[str, SettingPart]) -> dict[str, float]:
    """Mean speed of the fans and of the pump."""
    speeds: dict[str, float] = {}
    for role in ("fan", "pump"):
        rpm = [each.rpm for name, each in settings.items() if name.startswith(role)]
        known = [each for each in rpm if each is not None]
        if known and len(known) == len(rpm):
            speeds[role] = float(np.mean(known))
    return speeds


def setting_of(
    cooler: str,
    wanted: float | str | None,
    speeds: Mapping[str, float],
    known: Sequence[KnownSetting],
    log: str,
) -> KnownSetting | None:
    """Find the setting that a run was done at.

    Parameters
    ----------
    cooler : str
        What was mounted.
    wanted : float, str or None
        Its target in dB, "full speed", or None where nobody said.
    speeds : mapping of str to float
        Mean speeds of the fans and of the pump in its log, those that were logged.
    known : sequence of KnownSetting
        What there is to choose from.
    log : str
        The log, for the error's sentence.

    Returns
    -------
    KnownSetting or None
        The setting; None where none is known for the cooler and the target.

    Raises
    ------
    DocumentError
        If several settings fit and the log has no speeds to tell.
    """
    fitting = [
        each
        for each in known
        if each.cooler.casefold() == cooler.casefold()
        and (wanted is None or _is_target(wanted, each.target_db))
    ]
    if len(fitting) <= 1:
        return fitting[0] if fitting else None
    ranked = sorted(
        (max(off), place)
        for place, each in enumerate(fitting)
        if (
            off := [
                abs(speeds[role] / rpm - 1.0)
                for role, rpm in each.rpm.items()
                if role in speeds and rpm > 0.0
            ]
        )
    )
    if ranked and ranked[0][0] <= _SAME_SPEED:
        return fitting[ranked[0][1]]
    if wanted is None:
        raise DocumentError(
            f"{log} can be any of {len(fitting)} settings of {cooler!r}, and its speeds do not "
            f"tell; say where it was set, as in {cooler!r}@40=LOG."
        )
    return fitting[ranked[0][1]] if ranked else fitting[0]


def _is_target(wanted: float | str, target_db: float | None) -> bool:
    """Whether a setting is the one that was asked for."""
    if isinstance(wanted, str):
        return target_db is None
    return target_db is not None and abs(target_db - wanted) <= _SAME_TARGET_DB
