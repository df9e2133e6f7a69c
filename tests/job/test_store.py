"""What the store hands back, and to whom."""

import pytest

from stackbench.frames.scan import scan_folders
from stackbench.job import store
from stackbench.job.store import Store
from tests.support.fitsbytes import write_image


@pytest.fixture
def frame(tmp_path):
    write_image(tmp_path / "a.fits", IMAGETYP="LIGHT")
    (one,) = scan_folders([tmp_path]).frames
    return one


def test_facts_and_checksums_of_an_unchanged_file_come_back(tmp_path, frame):
    key = (frame.path, frame.size_bytes, frame.modified_ns)
    with Store(tmp_path / "x.sqlite") as kept:
        assert kept.known_frame(*key) is None
        kept.learn_frames([frame], {frame.path: "0" * 64})
    with Store(tmp_path / "x.sqlite") as again:
        assert again.known_frame(*key) == frame
        assert again.known_checksum(frame) == "0" * 64
        assert again.known_frame(frame.path, frame.size_bytes + 1, frame.modified_ns) is None
        assert again.known_frame(frame.path, frame.size_bytes, frame.modified_ns + 1) is None


def test_another_version_reads_the_header_anew_but_trusts_the_checksum(
    tmp_path, frame, monkeypatch
):
    with Store(tmp_path / "x.sqlite") as kept:
        kept.learn_frames([frame], {frame.path: "0" * 64})
    monkeypatch.setattr(store, "__version__", "99.0")
    with Store(tmp_path / "x.sqlite") as newer:
        assert newer.known_frame(frame.path, frame.size_bytes, frame.modified_ns) is None
        assert newer.known_checksum(frame) == "0" * 64
