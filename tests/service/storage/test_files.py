import os
import stat
from pathlib import Path

import pytest

from service.errors import StorageError
from service.storage.files import write_atomically


def names(folder: Path) -> set[str]:
    """Names of everything in a folder."""
    return {entry.name for entry in folder.iterdir()}


def test_writes_a_new_file(tmp_path: Path) -> None:
    """A new file holds exactly the bytes given and nothing else is left in the folder."""
    path = tmp_path / "a.json"

    write_atomically(path, b"\x00one\r\n")

    assert path.read_bytes() == b"\x00one\r\n"
    assert names(tmp_path) == {"a.json"}


def test_replaces_a_file(tmp_path: Path) -> None:
    """An older, longer file is replaced whole."""
    path = tmp_path / "a.json"
    path.write_bytes(b"long " * 100)

    write_atomically(path, b"short")

    assert path.read_bytes() == b"short"
    assert names(tmp_path) == {"a.json"}


@pytest.mark.parametrize("failing", ["fsync", "replace"])
@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_failure_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str, error: BaseException
) -> None:
    """A full disk or an interruption leaves the old file as it was and no part beside it."""
    path = tmp_path / "a.json"
    path.write_bytes(b"old")

    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(os, failing, fail)
    monkeypatch.setattr(Path, failing, fail, raising=False)
    expected = StorageError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(expected) as caught:
        write_atomically(path, b"new")
    monkeypatch.undo()

    assert path.read_bytes() == b"old"
    assert names(tmp_path) == {"a.json"}
    if expected is StorageError:
        assert "No space left on device" in str(caught.value)


def test_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    """A folder that does not exist gives a sentence with the path and what to do."""
    with pytest.raises(StorageError, match=r"gone.a\.json cannot be written .*; check that"):
        write_atomically(tmp_path / "gone" / "a.json", b"x")

    assert names(tmp_path) == set()


def test_folder_is_not_overwritten(tmp_path: Path) -> None:
    """A folder of that name is refused and kept."""
    with pytest.raises(StorageError, match="is not a file"):
        write_atomically(tmp_path, b"x")


@pytest.mark.skipif(os.name == "nt", reason="there are no device files in folders on Windows")
def test_device_file_is_not_replaced() -> None:
    """Writing to a device file such as /dev/null is refused instead of replacing the device."""
    with pytest.raises(StorageError, match="is not a file"):
        write_atomically(Path(os.devnull), b"x")

    assert stat.S_ISCHR(Path(os.devnull).stat().st_mode)


@pytest.mark.skipif(os.name == "nt", reason="making links needs a privilege on Windows")
def test_link_is_followed(tmp_path: Path) -> None:
    """Writing through a symbolic link changes the file it leads to and keeps the link."""
    (tmp_path / "real.json").write_bytes(b"old")
    link = tmp_path / "link.json"
    link.symlink_to(tmp_path / "real.json")

    write_atomically(link, b"new")

    assert link.is_symlink()
    assert (tmp_path / "real.json").read_bytes() == b"new"


def test_longest_name_is_possible(tmp_path: Path) -> None:
    """A name of the greatest length the file system takes can be written."""
    path = tmp_path / ("a" * 250 + ".json")

    write_atomically(path, b"x")

    assert path.read_bytes() == b"x"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such permissions")
def test_permissions_are_those_of_a_plain_file(tmp_path: Path) -> None:
    """The file is as readable as one made by a plain open, so others can read results."""
    (tmp_path / "plain").write_bytes(b"")
    write_atomically(tmp_path / "ours", b"")

    assert (tmp_path / "ours").stat().st_mode == (tmp_path / "plain").stat().st_mode
