"""What a series of matches is to do: which coolers, which targets, and the names of its files."""

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from calibration.bench_state import BenchDescription
from calibration.results import MatchRequest
from service.documents.calibration import CalibrationDocument
from service.errors import SettingsError
from service.storage.names import file_stem

__all__ = ["SeriesPlan", "target_words"]


@dataclass(frozen=True, slots=True)
class SeriesPlan:
    """Every target for every cooler.

    Raises
    ------
    SettingsError
        If a cooler or a target is there twice.
    """

    coolers: tuple[str, ...]
    """Coolers in the order they are mounted."""
    requests: tuple[MatchRequest, ...]
    """Targets in the order they were asked."""
    out: Path | None = None
    """Where the settings go; None for the data folder."""
    pump_percents: tuple[float, ...] = ()
    """Pump duties to find the pairs of fan and pump speed at; without any, one pair is matched."""

    def __post_init__(self) -> None:
        stems = [file_stem(cooler) for cooler in self.coolers]
        for cooler, stem in zip(self.coolers, stems, strict=True):
            if stems.count(stem) > 1:
                raise SettingsError(
                    f"The cooler {cooler!r} is named twice, or like another but for marks; give "
                    "each its own name."
                )
        targets = [target_words(request) for request in self.requests]
        for target in targets:
            if targets.count(target) > 1:
                raise SettingsError(f"The target {target} is asked twice; give each once.")

    def in_order(self) -> list[int]:
        """Return the targets from loud to quiet, so that fans and room come to rest on the way."""
        return sorted(range(len(self.requests)), key=lambda target: -_size(self.requests[target]))

    def paths(self, out: Path) -> list[Path]:
        """Return where the settings of each target go, under a name given for all of them."""
        if len(self.requests) == 1:
            return [out]
        ending = out.suffix or ".json"
        return [out.with_name(f"{out.stem}-{target_words(r)}{ending}") for r in self.requests]

    def default_out(self, data_folder: Path, time: datetime) -> Path:
        """Return the name for all of them where none is given."""
        return data_folder / "matches" / f"{time:%Y%m%dT%H%M%SZ}-{file_stem(self._names)}.json"

    @property
    def _names(self) -> str:
        return " ".join(self.coolers)

    def asked(self, bench: BenchDescription, source: str, calibration: CalibrationDocument) -> str:
        """Return everything that makes a series the same when it is started again."""
        return json.dumps(
            {
                "coolers": self.coolers,
                "pump_percents": self.pump_percents,
                "requests": [asdict(request) for request in self.requests],
                "out": None if self.out is None else str(self.out.absolute()),
                "bench": asdict(bench),
                "input": source,
                "calibration": [calibration.time.isoformat(), calibration.pascal_per_unit],
            }
        )


def _size(request: MatchRequest) -> float:
    """How loud a target is among targets of its kind."""
    if request.loudness is not None:
        return request.loudness.N_sone
    return request.target_db or 0.0


def target_words(request: MatchRequest) -> str:
    """Return a target as the end of a file name.

    Parameters
    ----------
    request : MatchRequest
        What is asked.

    Returns
    -------
    str
        Such as ``35db`` or ``2sone``.
    """
    if request.loudness is not None:
        return f"{request.loudness.N_sone:g}sone"
    return f"{request.target_db:g}db"
