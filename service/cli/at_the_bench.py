"""What a command works with at the bench: the person, and an input opened for each cooler."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from service.cli.runtime import Session, remark

if TYPE_CHECKING:
    from service.documents.calibration import CalibrationDocument
    from service.wiring.keeping import KeepRequest
    from service.wiring.match_series import Hearing

__all__ = ["AtTheBench", "SeriesInput"]


class AtTheBench:
    """The person at the bench: remarks go to standard error, the Enter key answers."""

    anew: Final = "--fresh"

    def tell(self, text: str) -> None:
        """Print a remark."""
        remark(text)

    def mounts(self, cooler: str) -> bool:
        """Ask for another cooler to be mounted; False when standard input is at its end."""
        remark(
            f"The bench is free: mount {cooler}, set the same light load, keep the microphone "
            "where it is, and press Enter."
        )
        if sys.stdin is not None and sys.stdin.readline():
            return True
        remark(
            f"Nobody pressed Enter for {cooler}: what was done before is written, and the same "
            "command goes on from there."
        )
        return False


@dataclass(slots=True)
class SeriesInput:
    """The input of a series of coolers: opened once a cooler, always with the same calibration."""

    session: Session
    """Settings and data folder."""
    input_text: str | None
    """What ``--input`` says."""
    calibration: Path | None
    """What ``--calibration`` says."""
    response: Path | None
    """What ``--response`` says."""
    rate_hz: int | None
    """What ``--rate-hz`` says."""
    channels: int | None
    """What ``--channels`` says."""
    used: Sequence[int] | None
    """What ``--channel`` says."""
    keep: "KeepRequest | None" = None
    """Where its sound is kept."""
    _chosen: "CalibrationDocument | None" = None

    @contextmanager
    def open(self, cooler: str) -> Iterator["Hearing"]:
        """Open the input for a cooler, and close it on every way out."""
        from service.wiring.match_series import Hearing

        with self.session.open_kept(
            self.input_text,
            rate_hz=self.rate_hz,
            channels=self.session.channels_for(self.channels, self.used),
            keep=self.keep,
            cooler=cooler,
            # In the middle of a series a full disk is no reason to lose what is done.
            insist=self._chosen is None,
        ) as keeping:
            if self._chosen is None:
                self._chosen = self.session.calibration(self.calibration, keeping.source, self.used)
            response = self.session.response(self.response, self._chosen)
            keeping.know(list(self._chosen.by_channel().values()), response)
            yield Hearing(keeping.source, self._chosen, response, keeping)
