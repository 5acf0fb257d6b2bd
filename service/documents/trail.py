"""The trail of a match, ``evenhush.trail/1``: every step and its answer, one JSON object a line.

The loop that decides is a pure function of these answers, so the trail can be replayed to the same
result, and a person can read why each step was taken.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any, ClassVar, Final, Literal

import numpy as np
from pydantic import AwareDatetime, Field, TypeAdapter, ValidationError, field_serializer

from acoustic.loudness_bands import LOUDNESS_BANDS
from acoustic.signals import Samples
from calibration.bench_state import BenchDescription, BenchState
from calibration.learned import NOTHING_LEARNED, Learned
from calibration.results import MatchRequest, MatchResult
from calibration.steps import Heard, Listen, Observation, Remark, SetDuty, Step
from calibration.sweep_results import SweepRequest, SweepResult
from service.clock import utc_text
from service.documents.base import Document, Part
from service.documents.learned import LearnedPart
from service.documents.validation import problem_in
from service.errors import DocumentError

__all__ = [
    "SweepTrailHeader",
    "TrailHeader",
    "TrailStep",
    "parse_step",
    "result_line",
    "step_line",
]

_STATE: Final = TypeAdapter(BenchState)


class TrailHeader(Document):
    """A trail of a match."""

    kind: ClassVar[str] = "trail of a match"

    schema_name: Literal["evenhush.trail/1"] = Field(
        default="evenhush.trail/1", validation_alias="schema", serialization_alias="schema"
    )
    time: AwareDatetime = Field(strict=False)
    """When the match began."""
    cooler: str
    """What was matched."""
    request: MatchRequest
    """What was asked."""
    bench: BenchDescription
    """What could be set."""
    pascal_per_unit: float
    """Calibration that the levels were made with."""
    learned: LearnedPart | None = None
    """What was known of the cooler beforehand; null where nothing was."""
    pump_percents: list[float] | None = None
    """Pump duties of the pairs that were asked for; null for a match of one pair."""

    def known_before(self) -> Learned:
        """Return what was known of the cooler beforehand.

        Raises
        ------
        DocumentError
            If it was made by another version.
        """
        return NOTHING_LEARNED if self.learned is None else self.learned.to_learned()

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)


class SweepTrailHeader(Document):
    """A trail of a sweep; its steps are those of a match."""

    kind: ClassVar[str] = "trail of a sweep"

    schema_name: Literal["evenhush.sweep-trail/1"] = Field(
        default="evenhush.sweep-trail/1", validation_alias="schema", serialization_alias="schema"
    )
    time: AwareDatetime = Field(strict=False)
    """When the sweep began."""
    cooler: str
    """What was swept."""
    request: SweepRequest
    """What was asked."""
    bench: BenchDescription
    """What could be set."""
    pascal_per_unit: float
    """Calibration that the levels were made with."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)


class TrailStep(Part):
    """One step with its answer, as it stands in a trail."""

    set_duty: dict[str, float] | None = None
    """Duties that were asked for."""
    listen_s: float | None = None
    """Sound that was asked for."""
    remark: str | None = None
    """What was said."""
    levels_db: list[float | None] | None = None
    """LAeq of each 100 ms that was heard; null for exact silence."""
    invalid: list[int] | None = None
    """Which of them the capture does not vouch for."""
    bands_db: list[list[float | None] | None] | None = None
    """One-third octaves around each interval from 25 Hz to 12.5 kHz, where a loudness is aimed at;
    null where too little was heard, or for exact silence."""
    state: dict[str, Any] | None = None
    """The bench after the step."""

    def step(self) -> Step:
        """Return the step.

        Raises
        ------
        DocumentError
            If the line holds none.
        """
        if self.set_duty is not None:
            return SetDuty(self.set_duty)
        if self.listen_s is not None:
            return Listen(self.listen_s)
        if self.remark is not None:
            return Remark(self.remark)
        raise DocumentError("A line of the trail holds no step; the file is damaged.")

    def answer(self) -> Observation:
        """Return its answer.

        Raises
        ------
        DocumentError
            If the answer is incomplete.
        """
        if self.remark is not None:
            return None
        try:
            state = _STATE.validate_python(self.state)
        except ValidationError as error:
            raise DocumentError(f"A line of the trail: {problem_in(error.errors())}.") from error
        if self.levels_db is None:
            return state
        levels = [-np.inf if level is None else level for level in self.levels_db]
        valid = np.ones(len(levels), dtype=np.bool_)
        valid[self.invalid or []] = False
        bands_db = None if self.bands_db is None else _bands_of(self.bands_db)
        return Heard(np.array(levels, dtype=np.float64), valid, state, bands_db)


def step_line(step: Step, answer: Observation) -> str:
    """Return one step with its answer as a line of a trail, without a line end."""
    line: dict[str, Any] = {}
    match step:
        case SetDuty(duties):
            line["set_duty"] = dict(duties)
        case Listen(seconds):
            line["listen_s"] = seconds
        case Remark(text):
            line["remark"] = text
    if isinstance(answer, Heard):
        line["levels_db"] = [float(x) if np.isfinite(x) else None for x in answer.levels_db]
        line["invalid"] = [int(i) for i in np.flatnonzero(~answer.valid)]
        if answer.bands_db is not None:
            line["bands_db"] = [_band_row(row) for row in answer.bands_db]
        line["state"] = asdict(answer.state)
    elif answer is not None:
        line["state"] = asdict(answer)
    return json.dumps(line, ensure_ascii=False)


def _band_row(row: Samples) -> list[float | None] | None:
    """One interval's bands as a trail keeps them."""
    if np.isnan(row).any():
        return None
    return [float(x) if np.isfinite(x) else None for x in row]


def _bands_of(rows: Sequence[Sequence[float | None] | None]) -> Samples:
    """Bands as they were before a trail kept them."""
    bands_db = np.full((len(rows), len(LOUDNESS_BANDS)), np.nan)
    for kept, row in zip(rows, bands_db, strict=True):
        if kept is not None:
            row[:] = [-np.inf if level is None else level for level in kept]
    return bands_db


def parse_step(line: str, where: str) -> TrailStep:
    """Read one line of a trail.

    Parameters
    ----------
    line : str
        A line after the header and before the result.
    where : str
        Its file and number, for the error's sentence.

    Returns
    -------
    TrailStep
        The step with its answer.

    Raises
    ------
    DocumentError
        If it is not one.
    """
    try:
        return TrailStep.model_validate_json(line)
    except ValidationError as error:
        raise DocumentError(
            f"{where} is no step of a trail: {problem_in(error.errors())}."
        ) from error


def _plain(value: object) -> object:
    """Return results as JSON types."""
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return [_plain(item) for item in value.tolist()]
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def result_line(result: MatchResult | SweepResult) -> str:
    """Return a result as the last line of a trail, with what was believed at the end."""
    return json.dumps({"result": _plain(asdict(result))}, ensure_ascii=False)
