"""One match with everything around it: the trail, the tones at the end, the document's entry."""

from collections.abc import Callable, Sequence
from pathlib import Path

from acoustic.microphone_response import MicrophoneResponse
from calibration.learned import NOTHING_LEARNED, Learned
from calibration.pump_curve import CurvePoint
from calibration.results import MatchRequest, MatchResult
from calibration.steps import Heard
from service.clock import utc_now
from service.documents.bands import DiscreteTone
from service.documents.calibration import CalibrationDocument
from service.documents.learned import LearnedPart
from service.documents.matched_settings import CoolerPart
from service.documents.trail import TrailHeader, result_line
from service.jobs.discrete_tones import tones_in
from service.jobs.listening import CalibratedSound, LevelListener
from service.jobs.matching import match_cooler, match_pairs
from service.jobs.pairs_document import part_of_pairs
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
    heard: Callable[[Heard], None] = lambda _: None,
    learned: Learned = NOTHING_LEARNED,
    pump_percents: Sequence[float] = (),
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
    heard : callable, optional
        Given everything that is heard, for a live view.
    learned : Learned, optional
        What is known of this cooler on this bench from earlier.
    pump_percents : sequence of float, optional
        Pump duties to find the pairs of fan and pump speed at; without any, one pair is matched.

    Returns
    -------
    MatchResult
        How it ended; of several pairs the one that stands for the cooler.
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
        pump_percents=list(pump_percents) or None,
    )

    def tones_now(ended: MatchResult) -> list[DiscreteTone]:
        """Find the tones of the speeds that are set."""
        kept = listener.kept_sound()
        return tones_in(kept) if kept is not None and ended.actuators is not None else []

    if pump_percents:
        tones: dict[float, list[DiscreteTone]] = {}

        def pair_done(point: CurvePoint) -> None:
            """Find a pair's tones before the speeds go on."""
            tones[point.pump_percent] = tones_now(point.result)

        with TrailFile(trail_path, header) as trail:
            curve = match_pairs(
                request,
                pump_percents,
                bench,
                listener,
                keep=trail.add,
                tell=tell,
                heard=heard,
                learned=learned,
                pair_done=pair_done,
            )
            trail.add(result_line(curve.as_match))
        return curve.as_match, part_of_pairs(cooler, description.bench, curve, tones)
    with TrailFile(trail_path, header) as trail:
        result = match_cooler(
            request, bench, listener, keep=trail.add, tell=tell, heard=heard, learned=learned
        )
        trail.add(result_line(result))
    part = cooler_part(cooler, description.bench, request, result, tones_now(result))
    return result, part
