"""A command that runs while a bench is held, and ends with it."""

import shutil
import subprocess
import sys
from collections.abc import Sequence
from typing import Final

from service.errors import SettingsError

__all__ = ["WrappedCommand"]

_GRACE_S: Final = 10.0
"""What a command that is told to end may take."""


class WrappedCommand:
    """A command, started when it is wanted and never left behind.

    Parameters
    ----------
    words : sequence of str
        The command and its arguments; no shell looks at them.
    quiet : bool
        Whether our standard output is for a document alone, so that the command's goes to
        standard error.

    Raises
    ------
    SettingsError
        If there is no such command.
    """

    def __init__(self, words: Sequence[str], *, quiet: bool) -> None:
        found = shutil.which(words[0])
        if found is None:
            raise SettingsError(
                f"There is no command {words[0]!r}; check its name, or give its whole path."
            )
        self.words = [found, *words[1:]]
        """The command with its path, and its arguments."""
        self._quiet = quiet
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it.

        Raises
        ------
        SettingsError
            If the system refuses.
        """
        try:
            self._process = subprocess.Popen(  # noqa: S603 - the user's own command
                self.words, stdout=sys.stderr.fileno() if self._quiet else None
            )
        except OSError as error:
            raise SettingsError(
                f"{self.words[0]} cannot be started ({error.strerror or error})."
            ) from error

    @property
    def code(self) -> int | None:
        """What it ended with; None while it runs or was never started."""
        return None if self._process is None else self._process.poll()

    def end(self) -> None:
        """End it if it still runs."""
        process = self._process
        if process is None or process.poll() is not None:
            return
        process.terminate()
        try:
            process.wait(_GRACE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
