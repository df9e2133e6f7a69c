"""Frames whose overscan was cut off while their header still tells of it."""

import numpy as np

from stackbench.frames.scan import scan_folders
from tests.support.fitsbytes import write_image

STALE = {"IMAGETYP": "LIGHT", "BIASSEC": "[33:36,:]", "TRIMSEC": "[1:32,:]"}
CUT = np.zeros((24, 32), ">i2")


def test_they_are_told_of_once_per_folder_and_used(tmp_path):
    for number in range(3):
        write_image(tmp_path / "Ha" / f"{number}.fits", CUT, **STALE)
    write_image(tmp_path / "L" / "a.fits", CUT, **STALE)
    write_image(tmp_path / "L" / "whole.fits", np.zeros((24, 36), ">i2"), **STALE)
    scan = scan_folders([tmp_path])
    assert len(scan.frames) == 5
    assert [frame.trim_section for frame in scan.frames] == [None] * 4 + ["[1:32,:]"]
    several, one = scan.problems
    assert (several.path, one.path) == (tmp_path / "Ha", tmp_path / "L" / "a.fits")
    assert "of 3 frames are not used" in several.what
    assert "'[33:36,:]' does not fit an axis of 32 pixels" in one.why
    assert "nothing needs doing" in one.remedy


def test_they_are_told_of_again_when_their_facts_are_known(tmp_path):
    write_image(tmp_path / "a.fits", CUT, **STALE)
    first = scan_folders([tmp_path])
    again = scan_folders([tmp_path], known=lambda *_key: first.frames[0])
    assert again == first
    assert len(again.problems) == 1
