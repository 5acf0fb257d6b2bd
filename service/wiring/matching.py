"""One match with everything around it: the trail, the tones at the end, the document's entry."""

from collections.abc import Callable
from pathlib import Path

from acoustic.microphone_response import MicrophoneResponse
from calibration.learned import NOTHING_LEARNED, Learned
from calibration.results import MatchRequest, MatchResult
from service.clock import utc_now
from service.documents.calibration import CalibrationDocument
from service.documents.learned import LearnedPart
from service.documents.matched_settings import CoolerPart
from service.documents.trail import TrailHeader, result_line
from service.jobs.discrete_tones import tones_in
from service.jobs.listening import CalibratedSound, LevelListener
from service.jobs.matching import match_cooler
from service.jobs.settings_document import cooler_part
from service.ports import BenchConnection, SoundSource
from service.storage.trails import TrailFile

__all__ = ["match_and_record"]


def match_and_record(
    cooler: str,
    request: MatchRequest,
    bench: BenchConnection,
    source: SoundSource,
    calibration: CalibrationDocument,
    *,
    response: MicrophoneResponse | None = None,
    trail_path: Path,
    tell: Callable[[str], None],
    learned: Learned = NOTHING_LEARNED,
) -> tuple[MatchResult, CoolerPart]:
    """Match one cooler and keep the trail of every step.

    Parameters
    ----------
    cooler : str
        What is mounted.
    request : MatchRequest
        What is asked.
    bench : BenchConnection
        The bench; released on every way out.
    source : SoundSource
        The input; stays open.
    calibration : CalibrationDocument
        Its calibration.
    response : MicrophoneResponse, optional
        Response of the microphone, to be taken out of the sound.
    trail_path : Path
        Where the trail goes.
    tell : callable
        Given each remark for the person at the bench.
    learned : Learned, optional
        What is known of this cooler on this bench from earlier.

    Returns
    -------
    MatchResult
        How it ended.
    CoolerPart
        Its entry in the matched settings.

    Raises
    ------
    EvenhushError
        If bench, sound or disk fail.
    """
    sound = CalibratedSound(source, calibration, response)
    listener = LevelListener(sound, bands=request.loudness is not None)
    description = bench.describe()
    header = TrailHeader(
        time=utc_now(),
        cooler=cooler,
        request=request,
        bench=description,
        pascal_per_unit=sound.pascal_per_unit,
        learned=None if learned == NOTHING_LEARNED else LearnedPart.of(learned),
    )
    with TrailFile(trail_path, header) as trail:
        result = match_cooler(request, bench, listener, keep=trail.add, tell=tell, learned=learned)
        trail.add(result_line(result))
    kept = listener.kept_sound()
    tones = tones_in(kept) if kept is not None and result.actuators is not None else []
    return result, cooler_part(cooler, description.bench, request, result, tones)
