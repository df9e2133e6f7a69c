"""The master library: masters of one night, kept for the next."""

import sqlite3
import subprocess
import sys
import textwrap
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from pydantic import TypeAdapter

from stackbench.calibration.records import MasterFacts
from stackbench.frames.records import CameraSetup, Kind, Setup
from stackbench.job.library import INDEX_NAME, Library, LibraryError, State

SETUP = Setup(camera=CameraSetup(camera="Moth 26", gain_setting=100, shape=(40, 60)))
FACTS = MasterFacts(
    kind=Kind.DARK,
    setup=SETUP,
    exposure_s=300.0,
    temperature_c=-10.0,
    night=date(2031, 3, 14),
    paths=tuple(Path(f"dark_{n}.fits") for n in range(12)),
    method="sigma-clip",
    rejected_pixels=7,
    level_adu=505.2,
    frame_noise_adu=5.1,
    noise=1.5,
)


@pytest.fixture
def master(tmp_path):
    path = tmp_path / "dark.fits"
    path.write_bytes(b"a master's pixels" * 1000)
    return path


@pytest.fixture
def library(tmp_path):
    return Library(tmp_path / "kept")


def test_a_library_that_is_not_there_is_empty_and_not_made_by_looking(library):
    assert library.masters() == []
    assert not library.folder.exists()


def test_a_master_comes_back_with_all_that_was_known_of_it(library, master):
    added = library.add(master, FACTS, made_of="abc")
    (kept,) = Library(library.folder).masters()
    assert kept == added
    assert kept.facts == FACTS
    assert kept.path.read_bytes() == master.read_bytes()
    shown = kept.as_set()
    assert (shown.kind, shown.exposure_s, shown.temperature_c) == (Kind.DARK, 300.0, -10.0)
    assert (shown.depth, shown.night, shown.setup) == (12, date(2031, 3, 14), SETUP)


def test_nothing_is_added_twice(library, master):
    assert library.add(master, FACTS, made_of="abc") is not None
    assert library.add(master, replace(FACTS, noise=9.0), made_of="abc") is None
    assert len(library.masters()) == 1
    assert len(list(library.folder.glob("*.fits"))) == 1


def test_a_changed_file_is_damaged_and_a_lost_one_missing(library, master):
    for name in ("a", "b", "c"):
        library.add(master, FACTS, made_of=name)
    _, second, third = library.masters()
    with second.path.open("r+b") as file:
        file.seek(100)
        file.write(b"?")
    third.path.unlink()
    assert library.check() == [State.GOOD, State.DAMAGED, State.MISSING]


def test_only_what_was_asked_for_is_removed(library, master):
    for name in ("a", "b"):
        library.add(master, FACTS, made_of=name)
    first, second = library.masters()
    with pytest.raises(LibraryError, match="no master 77"):
        library.remove([first.number, 77])
    assert library.masters() == [first, second]
    assert library.remove([first.number]) == [first]
    assert library.masters() == [second]
    assert not first.path.exists()
    assert second.path.exists()


def test_files_that_the_index_does_not_know_are_told_and_left(library, master):
    library.add(master, FACTS, made_of="a")
    stray = library.folder / "stranger.fits"
    stray.write_bytes(b"?")
    assert library.strays() == [stray]
    assert stray.exists()


def test_a_spoilt_index_is_said_with_its_path_and_remedy(library):
    library.folder.mkdir()
    (library.folder / INDEX_NAME).write_bytes(b"no database at all" * 100)
    with pytest.raises(LibraryError, match=r"library\.sqlite.*cannot be used"):
        library.masters()


def test_an_index_of_a_newer_version_is_left_alone(library, master):
    library.add(master, FACTS, made_of="a")
    with sqlite3.connect(library.folder / INDEX_NAME) as db:
        db.execute("PRAGMA user_version = 99")
    with pytest.raises(LibraryError, match="schema 99"):
        library.masters()


def test_several_processes_may_add_at_once(library, master, tmp_path):
    script = tmp_path / "add.py"
    script.write_text(
        textwrap.dedent(
            """
            import sys
            from pathlib import Path
            from pydantic import TypeAdapter
            from stackbench.calibration.records import MasterFacts
            from stackbench.job.library import Library

            folder, master, facts, name = sys.argv[1:]
            facts = TypeAdapter(MasterFacts).validate_json(facts)
            library = Library(Path(folder))
            for number in range(10):
                library.add(Path(master), facts, made_of=f"{name}{number}")
                library.add(Path(master), facts, made_of=f"shared{number}")
            """
        ),
        encoding="utf-8",
    )
    facts = TypeAdapter(MasterFacts).dump_json(FACTS).decode()
    working = [
        subprocess.Popen(
            [sys.executable, str(script), str(library.folder), str(master), facts, name]
        )
        for name in ("one", "two")
    ]
    assert [process.wait(timeout=120) for process in working] == [0, 0]
    masters = library.masters()
    assert len(masters) == 30
    assert set(library.check(masters)) == {State.GOOD}
    assert library.strays() == []


def test_all_or_none_are_removed(library, master, monkeypatch):
    for n in range(3):
        master.write_bytes(bytes([n]) * 1000)
        assert library.add(master, replace(FACTS, exposure_s=100.0 + n), made_of=str(n))
    kept = library.masters()
    replacing = Path.replace

    def _replace(path, target):
        if path == kept[1].path and str(target).endswith(".going"):
            raise PermissionError(13, "in use")
        return replacing(path, target)

    monkeypatch.setattr(Path, "replace", _replace)
    with pytest.raises(LibraryError, match="cannot be removed"):
        library.remove([one.number for one in kept])
    assert library.masters() == kept
    assert library.check() == [State.GOOD] * 3
    monkeypatch.undo()
    assert library.remove([one.number for one in kept]) == kept
    assert [path.name for path in library.folder.iterdir()] == [INDEX_NAME]
