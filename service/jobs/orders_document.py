"""From a sweep that was looked at to the document of its orders, and to its tables."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from acoustic.calm_speeds import SpeedHeard, nearest_calm
from acoustic.decibels import level_db
from acoustic.order_crossings import Crossing
from acoustic.order_tracks import OrderTrack
from acoustic.signals import Samples
from acoustic.tone_following import STAYS
from acoustic.tone_sources import NamedTone
from service.documents.cooler import CoolerDocument
from service.documents.kept_sound import KeptSoundDocument
from service.documents.orders import (
    CalmRange,
    CrossingPart,
    NearestCalm,
    OrderPart,
    OrdersDocument,
    SpeedCoursePart,
    SpeedPart,
    StayingTonePart,
    SweptRotor,
)
from service.documents.reviewed import LeftOutPart, ReviewedTone
from service.errors import SettingsError
from service.jobs.order_review import OrderReview
from service.jobs.tones_document import names_with_mains, rotors_of

__all__ = ["map_csv", "orders_csv", "orders_document"]

_HELD: Final = 0.02
"""Relative range within which the speed of another rotor is held."""
_TOGETHER: Final = 0.03
"""Relative range of the ratio of two speeds within which they move together."""
_HIGHEST_HZ: Final = 12_000.0
"""Lines above are not written into the table of the map."""


def orders_document(
    review: OrderReview,
    kept: KeptSoundDocument | None,
    description: CoolerDocument | None,
    *,
    mains_hz: float | None = None,
    near_rpm: float | None = None,
) -> OrdersDocument:
    """Put what follows a speed, what stays and what they meet into the form of a document.

    Parameters
    ----------
    review : OrderReview
        The sweep.
    kept : KeptSoundDocument or None
        What was noted beside the sound.
    description : CoolerDocument or None
        What is known of the cooler.
    mains_hz : float, optional
        Mains frequency; None to find out.
    near_rpm : float, optional
        A speed whose nearest calm ones are wanted.

    Returns
    -------
    OrdersDocument
        The document.

    Raises
    ------
    SettingsError
        If `near_rpm` is not above 0.
    """
    if near_rpm is not None and not 0.0 < near_rpm < 1e5:
        raise SettingsError(
            f"A speed to be near to must be a number of revolutions a minute above 0, not "
            f"{near_rpm:g}."
        )
    part, calibrated = review.prepared.part, review.calibrated
    names, other_words = _staying_names(review, description, mains_hz)
    staying_words = {
        round(tone.frequency_hz, 2): named.best.name
        for tone, named in zip(review.stays, names, strict=True)
    }
    speeds = [_speed(each, calibrated=calibrated) for each in review.speeds]
    times = [each.time for each in review.prepared.calibrations]
    course = review.speed.course
    return OrdersDocument(
        file=part.file,
        cooler=None if kept is None else kept.cooler,
        time=None if kept is None else kept.time,
        description=description,
        rate_hz=part.source.rate_hz,
        channels=len(part.channels),
        start_s=round(part.start_s, 6),
        duration_s=round(part.duration_s, 6),
        calibrated=calibrated,
        calibration_time=max(times, default=None),
        rotor=SweptRotor(
            name=review.rotor.name,
            kind=review.rotor.kind,
            blades=review.rotor.blades,
            poles=review.rotor.poles,
            lowest_rpm=round(float(review.heard.rpm[0]), 1),
            highest_rpm=round(float(review.heard.rpm[-1]), 1),
            delay_s=round(review.speed.delay_s, 2),
            deviation_percent=round(100.0 * review.speed.deviation, 2),
        ),
        course=SpeedCoursePart(
            time_s=_rounded(part.start_s + course.time_s, 3), rpm=_rounded(course.rpm, 1)
        ),
        width_percent=round(100.0 * review.heard.width, 2),
        speeds=speeds,
        orders=[_order(track, calibrated=calibrated) for track in review.tracks],
        stays=[
            StayingTonePart(
                **ReviewedTone.of(tone, calibrated=calibrated).model_dump(),
                source=named.best.source,
                name=named.best.name,
                probability=named.best.probability,
            )
            for tone, named in zip(review.stays, names, strict=True)
        ],
        crossings=[_crossing(each, staying_words) for each in review.crossings],
        calm=_calm(review.speeds),
        nearest=None if near_rpm is None else _nearest(review, near_rpm),
        left_out=[
            LeftOutPart(
                start_s=round(part.start_s + passage.start_s, 3),
                end_s=round(part.start_s + passage.end_s, 3),
                why=passage.kind,
            )
            for passage in review.left_out
        ],
        warnings=[*review.remarks, *other_words, *_about(review, description)],
    )


def _staying_names(
    review: OrderReview, description: CoolerDocument | None, mains_hz: float | None
) -> tuple[Sequence[NamedTone], list[str]]:
    """Name what stays, by rotors whose speed is held; and say what moves as well."""
    held, texts = {}, []
    course = review.speed.course
    for name, other in review.others.items():
        # What it does before and after the sweep is left aside.
        beside = other.at(course.time_s)
        beside = np.log(beside[np.isfinite(beside)])
        if len(beside) and np.ptp(np.quantile(beside, [0.05, 0.95])) <= _HELD:
            held[name] = float(np.exp(np.median(beside)))
            continue
        ratio = other.smoothed().at(course.time_s) / course.rpm
        if np.isfinite(ratio).any() and np.ptp(np.log(ratio[np.isfinite(ratio)])) < _TOGETHER:
            texts.append(
                f"The speed of {name} moves along with {review.rotor.name}, so their orders cannot "
                "be told apart by it."
            )
        else:
            texts.append(
                f"The speed of {name} changes too, so its tones neither follow "
                f"{review.rotor.name} nor stay; look at it with --rotor {name}."
            )
    rotors = rotors_of(held, description)
    pwm_hz = None if description is None else description.pwm_hz
    # What stays may follow any rotor whose speed is held: then nothing is known of what it follows.
    moved = [None if held else STAYS] * len(review.stays)
    return names_with_mains(review.stays, rotors, moved, mains_hz, pwm_hz)[1].tones, texts


def _about(review: OrderReview, description: CoolerDocument | None) -> list[str]:
    """What limits the names."""
    if review.rotor.kind == "fan" and (description is None or description.blades is None):
        return ["The number of blades is not known, so no order is called blade-pass."]
    return []


def _rounded(values: Samples, digits: int) -> list[float]:
    """Return numbers as a document has them."""
    return [round(float(value), digits) for value in values]


def _known(values: Samples) -> list[float | None]:
    """Return levels or ratios, null where there is none."""
    return [round(float(value), 2) if np.isfinite(value) else None for value in values]


def _speed(heard: SpeedHeard, *, calibrated: bool) -> SpeedPart:
    """Put one speed into the document's form."""
    level = round(heard.LAeq_db, 2) if np.isfinite(heard.LAeq_db) else None
    return SpeedPart(
        rpm=round(heard.rpm, 1),
        LAeq_db=level if calibrated else None,
        LAeq_dbfs=None if calibrated else level,
        prominent=[ReviewedTone.of(tone, calibrated=calibrated) for tone in heard.prominent],
        listened_s=round(heard.listened_s, 2),
    )


def _order(track: OrderTrack, *, calibrated: bool) -> OrderPart:
    """Put one order into the document's form."""
    levels = _known(track.level_db)
    return OrderPart(
        order=track.order,
        name=track.name,
        level_db=levels if calibrated else None,
        level_dbfs=None if calibrated else levels,
        tone_to_noise_ratio_db=_known(track.tone_to_noise_ratio_db),
        prominent=[bool(each) for each in track.prominent],
        shared=[bool(each) for each in track.shared],
    )


def _crossing(each: Crossing, staying_words: dict[float, str]) -> CrossingPart:
    """Put one crossing into the document's form, and into words."""
    what = f"something at {each.frequency_hz:.0f} Hz"
    if each.staying_hz is not None:
        name = staying_words.get(round(each.staying_hz, 2), "")
        called = f" ({name})" if name and name != "unexplained" else ""
        what = f"the tone that stays at {each.staying_hz:.1f} Hz{called}"
    text = (
        f"between {each.low_rpm:.0f} and {each.high_rpm:.0f} rpm the {each.name} meets {what}: "
        f"{each.rise_db:+.0f} dB"
    )
    if each.also_orders:
        others = ", ".join(str(order) for order in each.also_orders)
        text += f"; order {others} meets it too"
    return CrossingPart(
        order=each.order,
        name=each.name,
        low_rpm=round(each.low_rpm, 1),
        high_rpm=round(each.high_rpm, 1),
        top_rpm=round(each.top_rpm, 1),
        frequency_hz=round(each.frequency_hz, 2),
        rise_db=round(each.rise_db, 2),
        staying_hz=None if each.staying_hz is None else round(each.staying_hz, 2),
        also_orders=list(each.also_orders),
        text=text,
    )


def _calm(speeds: Sequence[SpeedHeard]) -> list[CalmRange]:
    """Join neighbouring speeds without a prominent tone."""
    runs: list[list[SpeedHeard]] = [[]]
    for each in speeds:
        if each.prominent:
            runs.append([])
        else:
            runs[-1].append(each)
    return [
        CalmRange(
            low_rpm=round(run[0].rpm, 1),
            high_rpm=round(run[-1].rpm, 1),
            low_LAeq=round(run[0].LAeq_db, 2),
            high_LAeq=round(run[-1].LAeq_db, 2),
        )
        for run in runs
        if run and np.isfinite([run[0].LAeq_db, run[-1].LAeq_db]).all()
    ]


def _nearest(review: OrderReview, rpm: float) -> NearestCalm:
    """Find the nearest calm speeds."""
    below, above = nearest_calm(review.speeds, rpm)
    calibrated = review.calibrated
    return NearestCalm(
        rpm=rpm,
        below=None if below is None else _speed(below, calibrated=calibrated),
        above=None if above is None else _speed(above, calibrated=calibrated),
    )


def orders_csv(document: OrdersDocument) -> str:
    """Write level and orders over speed as a table.

    Parameters
    ----------
    document : OrdersDocument
        The orders.

    Returns
    -------
    str
        CSV with a line a speed: its A-weighted level, whether a tone is prominent, and level and
        tone-to-noise ratio of every order.
    """
    unit = "db" if document.calibrated else "dbfs"
    names = ["rpm", f"LAeq_{unit}", "prominent_tone"]
    for order in document.orders:
        names += [f"order_{order.order}_{unit}", f"order_{order.order}_tone_to_noise_ratio_db"]
    rows = [",".join(names)]
    for place, speed in enumerate(document.speeds):
        level = speed.LAeq_db if document.calibrated else speed.LAeq_dbfs
        cells = [f"{speed.rpm:.1f}", _cell(level), "yes" if speed.prominent else "no"]
        for order in document.orders:
            levels = (order.level_db if document.calibrated else order.level_dbfs) or []
            cells += [_cell(levels[place]), _cell(order.tone_to_noise_ratio_db[place])]
        rows.append(",".join(cells))
    return "\n".join(rows) + "\n"


def map_csv(review: OrderReview) -> str:
    """Write the level on every line at every speed as a table.

    Parameters
    ----------
    review : OrderReview
        The sweep.

    Returns
    -------
    str
        CSV with a line a speed and a column a line of the spectrum up to 12 kHz.
    """
    heard, unit = review.heard, "db" if review.calibrated else "dbfs"
    shown = (heard.frequency_hz > 0.0) & (heard.frequency_hz <= _HIGHEST_HZ)
    levels = level_db(heard.even_density[:, shown] * 1.5 * heard.spacing_hz)
    rows = [",".join(["rpm", *(f"LZ_{hz:.6g}Hz_{unit}" for hz in heard.frequency_hz[shown])])]
    for rpm, line in zip(heard.rpm.tolist(), levels, strict=True):
        cells = [f"{level:.2f}" if np.isfinite(level) else "" for level in line.tolist()]
        rows.append(",".join([f"{rpm:.1f}", *cells]))
    return "\n".join(rows) + "\n"


def _cell(value: float | None) -> str:
    """Write one number, or nothing."""
    return "" if value is None else f"{value:.2f}"
