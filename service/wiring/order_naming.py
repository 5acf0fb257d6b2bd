"""Orders of a recorded sweep: the files, the speeds and the picture."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from acoustic.rotors import Rotor
from acoustic.speed_course import SpeedCourse
from service.documents.cooler import CoolerDocument
from service.documents.kept_sound import KeptSoundDocument
from service.documents.orders import OrdersDocument
from service.jobs.analysis import AnalysisRequest, PreparedRecording, prepare
from service.jobs.kept_speeds import speed_courses
from service.jobs.order_review import (
    OrderReview,
    chosen_rotor,
    follow_speed,
    review_orders,
    swept_rotor,
)
from service.jobs.orders_document import map_csv, orders_csv, orders_document
from service.jobs.tones_document import rotors_of
from service.reports.drawing import PictureForm
from service.reports.orders_picture import draw_orders
from service.storage.document_files import save_bytes
from service.storage.kept_files import read_kept_sound
from service.storage.speed_tables import read_speeds
from service.wiring.analysis import opened_recording, picture_form, with_what_was_kept
from service.wiring.kernels import keep_freed_memory

__all__ = [
    "OrderFiles",
    "OrderRequest",
    "SweptSound",
    "orders_of_file",
    "orders_picture",
    "speed_in_file",
]

_BESIDE_S: Final = 3.0
"""What is listened to on either side of a passage whose speed is wanted up to its ends."""


@dataclass(frozen=True, slots=True)
class OrderRequest:
    """What is asked about the orders of a recording."""

    recording: AnalysisRequest
    """Calibration and part."""
    speeds: Path | None = None
    """Table of speeds over time; None for what was noted beside the sound."""
    rotor: str | None = None
    """The rotor whose speed is swept; None for the one that changes most."""
    description: CoolerDocument | None = None
    """What is known of the cooler."""
    mains_hz: float | None = None
    """Mains frequency; None to find out."""
    near_rpm: float | None = None
    """A speed whose nearest calm ones are wanted."""


@dataclass(frozen=True, slots=True, eq=False)
class SweptSound:
    """A sweep with its orders."""

    review: OrderReview
    """What it looks like."""
    document: OrdersDocument
    """What is to be said about it."""


def orders_of_file(
    path: Path, request: OrderRequest, *, progress: Callable[[float], None] = lambda _: None
) -> SweptSound:
    """Follow the orders of a recorded sweep.

    Parameters
    ----------
    path : Path
        The recording.
    request : OrderRequest
        What is asked.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    SweptSound
        What it looks like, and the document.

    Raises
    ------
    EvenhushError
        If recording or speeds cannot be used.
    """
    keep_freed_memory()
    kept = _kept(path)
    courses = _courses(kept, request)
    rotor = _rotor(courses, swept_rotor(courses, request.rotor, str(path)), request)
    review = review_orders(lambda: _opened(path, request), courses, rotor, progress=progress)
    document = orders_document(
        review, kept, request.description, mains_hz=request.mains_hz, near_rpm=request.near_rpm
    )
    return SweptSound(review, document)


def speed_in_file(path: Path, request: OrderRequest) -> tuple[str, SpeedCourse]:
    """Find the speed of a rotor in a passage of a recording, as its tones tell it.

    Parameters
    ----------
    path : Path
        The recording.
    request : OrderRequest
        Where its speeds stand, and which rotor is meant.

    Returns
    -------
    name : str
        The rotor.
    course : SpeedCourse
        Its speed from the beginning of the recording.

    Raises
    ------
    EvenhushError
        If recording or speeds cannot be used.
    """
    courses = _courses(_kept(path), request)
    name = chosen_rotor(courses, request.rotor, str(path))
    rotor = _rotor(courses, name, request)
    part = request.recording
    with opened_recording(path) as recording:
        duration_s = recording.source.frames / recording.source.rate_hz
    start_s = min(max(part.start_s - _BESIDE_S, 0.0), duration_s)
    end_s = duration_s if part.end_s is None else min(part.end_s + _BESIDE_S, duration_s)
    wider = replace(request, recording=replace(part, start_s=start_s, end_s=end_s))
    return name, follow_speed(lambda: _opened(path, wider), courses[name], rotor)


@contextmanager
def _opened(path: Path, request: OrderRequest) -> Iterator[PreparedRecording]:
    """Open a recording anew."""
    with opened_recording(path) as recording:
        yield prepare(recording, with_what_was_kept(path, recording, request.recording))


def _kept(path: Path) -> KeptSoundDocument | None:
    """Read what was noted beside a recording."""
    with opened_recording(path) as recording:
        source = recording.source
        return read_kept_sound(path, rate_hz=source.rate_hz, channels=source.channels)


def _rotor(courses: Mapping[str, SpeedCourse], name: str, request: OrderRequest) -> Rotor:
    """Put a rotor together with what is known of it."""
    speeds = {each: float(course.rpm.mean()) for each, course in courses.items()}
    (rotor,) = (each for each in rotors_of(speeds, request.description) if each.name == name)
    return rotor


def _courses(kept: KeptSoundDocument | None, request: OrderRequest) -> Mapping[str, SpeedCourse]:
    """Speeds over time: from a table where one was given, else as noted."""
    if request.speeds is not None:
        return read_speeds(request.speeds)
    return {} if kept is None else speed_courses(kept)


@dataclass(frozen=True, slots=True)
class OrderFiles:
    """What is written about orders; None for what is not wanted."""

    picture: Path | None = None
    """Where the picture goes, as PNG or SVG by the ending."""
    csv: Path | None = None
    """Where levels over speed go."""
    map_csv: Path | None = None
    """Where the level on every line at every speed goes."""

    def check(self) -> None:
        """Find out beforehand whether the picture can have its name.

        Raises
        ------
        SettingsError
            If its ending is no form of pictures.
        """
        if self.picture is not None:
            picture_form(self.picture)

    def write(self, swept: SweptSound) -> list[Path]:
        """Make everything, and then write it.

        Parameters
        ----------
        swept : SweptSound
            The sweep.

        Returns
        -------
        list of Path
            What was written.

        Raises
        ------
        EvenhushError
            If a file cannot be written.
        """
        made: dict[Path, bytes] = {}
        if self.picture is not None:
            made[self.picture] = orders_picture(swept, picture_form(self.picture))
        if self.csv is not None:
            made[self.csv] = orders_csv(swept.document).encode()
        if self.map_csv is not None:
            made[self.map_csv] = map_csv(swept.review).encode()
        for path, data in made.items():
            save_bytes(path, data)
        return list(made)


def orders_picture(swept: SweptSound, form: PictureForm) -> bytes:
    """Draw a sweep.

    Parameters
    ----------
    swept : SweptSound
        The sweep.
    form : {"png", "svg"}
        File format.

    Returns
    -------
    bytes
        The picture.
    """
    review = swept.review
    title = swept.document.cooler or Path(review.prepared.part.file).stem
    return draw_orders(
        f"{title}: {review.rotor.name}",
        review.heard,
        form,
        tracks=review.tracks,
        stays=review.stays,
        crossings=review.crossings,
        calibrated=review.calibrated,
    )
