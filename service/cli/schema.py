"""``evenhush schema``: the JSON Schema of every document, for those who read them with programs."""

from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.runtime import print_json

if TYPE_CHECKING:
    from service.documents.base import Document

__all__ = ["schema"]


def schema(
    *,
    document: Annotated[
        str,
        typer.Argument(
            metavar="DOCUMENT",
            help="matched-settings, recheck, recheck-history, calibration, floor, inputs, "
            "analysis, uncalibrated-analysis, spectrum, tones, orders, excerpt, kept-sound, "
            "profile, cooler, comparison, held-run, data-check, trail or sweep-trail.",
            show_default=False,
        ),
    ],
) -> int:
    """Print the JSON Schema of a document."""
    from service.errors import SettingsError

    kinds = _documents()
    if document not in kinds:
        raise SettingsError(
            f"There is no document {document!r}; there are {', '.join(sorted(kinds))}."
        )
    print_json(
        {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            **kinds[document].model_json_schema(by_alias=True, mode="serialization"),
        }
    )
    return 0


def _documents() -> dict[str, type["Document"]]:
    """Return every document by the name of its schema."""
    from service.documents.analysis import AnalysisDocument, UncalibratedAnalysisDocument
    from service.documents.calibration import CalibrationDocument
    from service.documents.comparison import ComparisonDocument
    from service.documents.cooler import CoolerDocument
    from service.documents.data_check import DataCheckDocument
    from service.documents.excerpt import ExcerptDocument
    from service.documents.floor import FloorDocument
    from service.documents.held_run import HeldRunDocument
    from service.documents.inputs import InputsDocument
    from service.documents.kept_sound import KeptSoundDocument
    from service.documents.matched_settings import MatchedSettingsDocument
    from service.documents.orders import OrdersDocument
    from service.documents.profile import ProfileDocument
    from service.documents.recheck import RecheckDocument, RecheckHistoryDocument
    from service.documents.spectra import SpectrumDocument
    from service.documents.tones import TonesDocument
    from service.documents.trail import SweepTrailHeader, TrailHeader

    return {
        "analysis": AnalysisDocument,
        "calibration": CalibrationDocument,
        "comparison": ComparisonDocument,
        "cooler": CoolerDocument,
        "data-check": DataCheckDocument,
        "excerpt": ExcerptDocument,
        "floor": FloorDocument,
        "held-run": HeldRunDocument,
        "inputs": InputsDocument,
        "kept-sound": KeptSoundDocument,
        "matched-settings": MatchedSettingsDocument,
        "orders": OrdersDocument,
        "recheck": RecheckDocument,
        "recheck-history": RecheckHistoryDocument,
        "profile": ProfileDocument,
        "spectrum": SpectrumDocument,
        "sweep-trail": SweepTrailHeader,
        "tones": TonesDocument,
        "trail": TrailHeader,
        "uncalibrated-analysis": UncalibratedAnalysisDocument,
    }
