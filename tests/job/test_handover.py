"""Channels copied to where the person wants them."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from stackbench.export.files import WriteError
from stackbench.frames.work import Cancelled
from stackbench.job.exporting import ChannelPaths
from stackbench.job.handover import Existing, Format, copy_files, plan_copies


@dataclass
class Channel:
    """All of a channel that matters here."""

    paths: ChannelPaths


@pytest.fixture
def channels(tmp_path):
    made = []
    for name in ("Vale_L", "Vale_Ha"):
        files = [tmp_path / "channels" / f"{name}{ending}" for ending in (".fits", ".tif", ".png")]
        for path in files:
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(path.name.encode() * 1000)
        made.append(Channel(ChannelPaths(fits=files[0], tif=files[1], png=files[2])))
    return made


def names(copies):
    return [one.target.name for one in copies]


def test_files_are_named_before_anything_is_written(channels, tmp_path):
    folder = tmp_path / "a" / "new"
    copies = plan_copies(channels, [Format.FITS, Format.PNG], folder)
    assert names(copies) == ["Vale_L.fits", "Vale_L.png", "Vale_Ha.fits", "Vale_Ha.png"]
    assert not folder.exists()
    ticks = []
    assert copy_files(copies, tick=lambda: ticks.append(1)) == len(ticks) == 4
    for one in copies:
        assert one.target.read_bytes() == one.source.read_bytes()
    assert sorted(path.name for path in folder.iterdir()) == sorted(names(copies))


def test_what_is_there_is_kept_replaced_or_numbered(channels, tmp_path):
    (tmp_path / "Vale_L.tif").write_text("mine")
    (tmp_path / "Vale_L_2.tif").write_text("mine too")
    kept, new = plan_copies(channels, [Format.TIFF], tmp_path)
    assert (kept.skipped, new.skipped) == (True, False)
    assert copy_files([kept, new]) == 1
    assert (tmp_path / "Vale_L.tif").read_text() == "mine"
    numbered = plan_copies(channels, [Format.TIFF], tmp_path, existing=Existing.NUMBER)
    assert names(numbered) == ["Vale_L_3.tif", "Vale_Ha_2.tif"]
    replaced = plan_copies(channels, [Format.TIFF], tmp_path, existing=Existing.REPLACE)
    assert all(one.replaces for one in replaced)
    assert copy_files(replaced) == 2
    assert (tmp_path / "Vale_L.tif").read_bytes() == channels[0].paths.tif.read_bytes()


@pytest.mark.parametrize("existing", Existing)
def test_the_channels_themselves_always_stay(channels, existing):
    folder = channels[0].paths.fits.parent
    copies = plan_copies(channels, list(Format), folder, existing=existing)
    assert all(one.skipped for one in copies)


def test_a_file_that_came_meanwhile_is_not_overwritten(channels, tmp_path):
    copies = plan_copies(channels, [Format.FITS], tmp_path)
    (tmp_path / "Vale_L.fits").write_text("mine")
    with pytest.raises(WriteError, match="come to be there"):
        copy_files(copies)
    assert (tmp_path / "Vale_L.fits").read_text() == "mine"


def test_a_channel_that_is_gone_is_told(channels, tmp_path):
    copies = plan_copies(channels, [Format.FITS], tmp_path)
    channels[0].paths.fits.unlink()
    with pytest.raises(WriteError, match="cannot be read"):
        copy_files(copies)
    assert not Path(copies[0].target).exists()


def test_a_copy_that_is_stopped_leaves_nothing_half(channels, tmp_path):
    copies = plan_copies(channels, [Format.FITS], tmp_path / "new")
    with pytest.raises(Cancelled):
        copy_files(copies, stop=lambda: True)
    assert list((tmp_path / "new").iterdir()) == []
