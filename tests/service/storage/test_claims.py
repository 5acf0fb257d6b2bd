"""Tests of claims that only one process at a time can have."""

import subprocess
import sys

import pytest

from service.errors import StorageError
from service.storage.claims import Claim


def test_only_one_has_it_until_it_is_let_go(tmp_path):
    """A second claim is refused, and granted as soon as the first is released, twice or once."""
    first, second = Claim(tmp_path / "serve.lock"), Claim(tmp_path / "serve.lock")

    assert first.take()
    assert not second.take()
    first.release()
    first.release()
    assert second.take()
    second.release()


def test_a_killed_process_has_it_no_more(tmp_path):
    """The system ends the claim with the process, so nothing has to be cleaned up by hand."""
    path = tmp_path / "serve.lock"
    code = (
        "import sys, pathlib; from service.storage.claims import Claim;"
        "claim = Claim(pathlib.Path(sys.argv[1])); print(claim.take(), flush=True); input()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with holder:
        assert holder.stdout.readline() == "True\n"
        claim = Claim(path)
        assert not claim.take()
        holder.kill()
        holder.wait()
        assert claim.take()
        claim.release()


def test_a_folder_that_cannot_be_written_to_is_said(tmp_path):
    """A file where the folder should be is an error with its name."""
    (tmp_path / "file").write_text("")

    with pytest.raises(StorageError, match="file"):
        Claim(tmp_path / "file" / "serve.lock").take()
