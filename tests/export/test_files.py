"""Files are either the old one or the new one."""

import errno
import os
import sys
from pathlib import Path

import pytest

from stackbench.export.files import WriteError, remove_leftovers, replacing, write_text


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_new_file_appears_whole_and_its_folder_is_made(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "er" / "table.csv"
    write_text(path, "α,b\r\n")
    assert path.read_bytes() == "α,b\r\n".encode()
    assert _names(path.parent) == ["table.csv"]


def test_nothing_is_seen_under_the_name_before_the_end(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    with replacing(path) as stream:
        stream.write(b"new")
        stream.flush()
        assert path.read_text() == "old"
        assert len(_names(tmp_path)) == 2
    assert path.read_text() == "new"


def test_a_failure_inside_keeps_the_old_file_and_leaves_no_rest(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")

    def fail_midway() -> None:
        with replacing(path) as stream:
            stream.write(b"half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_midway()
    assert path.read_text() == "old"
    assert _names(tmp_path) == ["a.txt"]


def test_a_full_disk_keeps_the_old_file_and_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")

    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(WriteError, match="the disk is full") as caught:
        write_text(path, "new")
    assert caught.value.path == path
    assert caught.value.filename == str(path)
    assert caught.value.errno == errno.ENOSPC
    assert "free some space" in caught.value.remedy
    assert str(path) in str(caught.value)
    assert path.read_text() == "old"
    assert _names(tmp_path) == ["a.txt"]


def test_a_file_in_the_place_of_the_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("not a folder")
    with pytest.raises(WriteError, match="a file stands where a folder is needed"):
        write_text(tmp_path / "out" / "night.json", "{}")


def test_a_folder_in_the_place_of_the_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "night.json").mkdir()
    with pytest.raises(WriteError) as caught:
        write_text(tmp_path / "night.json", "{}")
    assert caught.value.remedy
    assert _names(tmp_path) == ["night.json"]


@pytest.mark.skipif(
    sys.platform == "win32" or (hasattr(os, "geteuid") and os.geteuid() == 0),
    reason="permissions do not stop this user",
)
def test_an_unwritable_folder_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(WriteError, match="not allowed"):
            write_text(tmp_path / "a.txt", "x")
    finally:
        tmp_path.chmod(0o700)


def test_a_refusal_to_open_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_args: object, **_options: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(WriteError, match="not allowed") as caught:
        write_text(tmp_path / "a.txt", "x")
    assert "a folder you may write to" in caught.value.remedy


def test_a_refusal_to_rename_keeps_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # what Windows does while another program shows the file
    path = tmp_path / "a.txt"
    path.write_text("old")

    def refuse(*_args: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(WriteError, match="another program"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert _names(tmp_path) == ["a.txt"]


def test_an_unknown_refusal_keeps_the_systems_words(tmp_path: Path) -> None:
    def fail_midway() -> None:
        with replacing(tmp_path / "a.txt"):
            raise OSError("the tape is torn")

    with pytest.raises(WriteError, match="the tape is torn"):
        fail_midway()


def test_leftovers_of_a_crash_are_removed_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "stacks").mkdir()
    left = tmp_path / "stacks" / ".a.fits.0123456789ab.stackbench-part"
    left.write_bytes(b"half")
    kept = tmp_path / "stacks" / "a.fits"
    kept.write_bytes(b"whole")
    assert remove_leftovers(tmp_path) == 1
    assert kept.exists()
    assert not left.exists()
    assert remove_leftovers(tmp_path / "nowhere") == 0


def test_a_very_long_name_is_no_obstacle_to_the_passing_name(tmp_path: Path) -> None:
    path = tmp_path / ("n" * 250 + ".fit")
    write_text(path, "x")
    assert path.read_text() == "x"
