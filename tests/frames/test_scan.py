"""Scanning folders: what counts as a frame, and a clear problem for all else."""

import bz2
import gzip
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from stackbench.frames.records import Kind
from stackbench.frames.scan import (
    SESSION_STORE_NAME,
    folder_names,
    scan_folders,
    without_unexposed,
)
from tests.support.fitsbytes import card, header, image_bytes, image_cards, padded, write_image

PIXELS = np.arange(6, dtype=">i2").reshape(2, 3)


def only_problem(*folders, **options):
    scan = scan_folders(folders, **options)
    assert scan.frames == ()
    (problem,) = scan.problems
    assert problem.what
    assert problem.why.endswith(".")
    assert problem.remedy.endswith(".")
    return problem


def test_every_ending_in_any_letter_case_in_order(tmp_path):
    content = image_bytes(PIXELS, card("IMAGETYP", "LIGHT"))
    names = ["a.fits", "B.FIT", "c.fts", "d.Fits.gz", "e.FIT.GZ", "f.fits.bz2", "g.fts.bz2"]
    for name in names:
        packed = {".gz": gzip.compress, ".bz2": bz2.compress}.get(Path(name).suffix.lower(), bytes)
        (tmp_path / name).write_bytes(packed(content))
    (tmp_path / "notes.txt").write_text("not a frame")
    (tmp_path / "picture.fits.png").write_bytes(b"not a frame")
    (tmp_path / "._a.fits").write_bytes(b"left by another system")
    scan = scan_folders([tmp_path])
    assert [frame.path.name for frame in scan.frames] == names
    assert scan.problems == ()
    assert [frame.layout.data_offset for frame in scan.frames] == [2880] * 3 + [None] * 4
    assert {frame.layout.shape for frame in scan.frames} == {(2, 3)}
    assert all(frame.size_bytes == frame.path.stat().st_size for frame in scan.frames)
    assert all(frame.modified_ns == frame.path.stat().st_mtime_ns for frame in scan.frames)


def test_several_folders_make_one_job_and_each_file_counts_once(tmp_path):
    write_image(tmp_path / "night 2" / "lights" / "b.fits")
    write_image(tmp_path / "night 2" / "a.fits", IMAGETYP="bias")
    write_image(tmp_path / "night 1" / "darks" / "c.fits")
    folders = [tmp_path / "night 2", tmp_path / "night 1" / "darks", tmp_path / "night 1"]
    scan = scan_folders([*folders, tmp_path / "night 2" / ".." / "night 2"])
    assert [(frame.path.name, frame.kind) for frame in scan.frames] == [
        ("a.fits", Kind.BIAS),
        ("b.fits", Kind.LIGHT),
        ("c.fits", Kind.DARK),
    ]
    assert scan.problems == ()


def test_a_single_file_may_be_given(tmp_path):
    path = write_image(tmp_path / "flat_1.fits")
    assert scan_folders([path]).frames[0].kind is Kind.FLAT


def test_folders_above_the_given_one_say_nothing(tmp_path):
    write_image(tmp_path / "darks" / "night" / "a.fits")
    assert scan_folders([tmp_path / "darks" / "night"]).frames[0].kind is Kind.UNKNOWN
    assert scan_folders([tmp_path]).frames[0].kind is Kind.DARK


def test_folder_names():
    root = Path("/x/night")
    assert folder_names(root / "lights" / "Ha" / "a.fits", root) == ("Ha", "lights", "night")
    assert folder_names(root, root) == ()


def test_an_unknown_kind_is_listed_with_a_problem(tmp_path):
    write_image(tmp_path / "a.fits", IMAGETYP="focus")
    write_image(tmp_path / "b.fits")
    scan = scan_folders([tmp_path])
    assert [frame.kind for frame in scan.frames] == [Kind.UNKNOWN, Kind.UNKNOWN]
    assert [problem.path.name for problem in scan.problems] == ["a.fits", "b.fits"]
    assert "IMAGETYP = focus" in scan.problems[0].why


def test_known_frames_are_not_opened_again(tmp_path):
    for number in range(3):
        write_image(tmp_path / f"{number}.fits", IMAGETYP="LIGHT")
    first = scan_folders([tmp_path])
    facts = {(frame.path, frame.size_bytes, frame.modified_ns): frame for frame in first.frames}
    asked = []

    def known(*key):
        asked.append(key)
        return facts.get(key)

    (tmp_path / "0.fits").write_bytes(image_bytes(PIXELS, card("IMAGETYP", "DARK")) + bytes(2880))
    # Junk that looks unchanged from outside: only an unopened file stays a frame.
    status = (tmp_path / "1.fits").stat()
    (tmp_path / "1.fits").write_bytes(b"x" * status.st_size)
    os.utime(tmp_path / "1.fits", ns=(status.st_atime_ns, status.st_mtime_ns))
    second = scan_folders([tmp_path], known=known)
    assert [frame.kind for frame in second.frames] == [Kind.DARK, Kind.LIGHT, Kind.LIGHT]
    assert second.problems == ()
    assert second.frames[1:] == first.frames[1:]
    assert len(asked) == 3


def test_scanning_loads_no_heavy_library(tmp_path):
    write_image(tmp_path / "a.fits", IMAGETYP="LIGHT")
    code = (
        "import sys; from pathlib import Path; from stackbench.frames.scan import scan_folders\n"
        "import stackbench.frames.groups, stackbench.frames.targets\n"
        "assert scan_folders([Path(sys.argv[1])]).frames\n"
        "heavy = {'numpy', 'astropy', 'numba', 'scipy'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=True)


def test_500_headers_take_under_two_seconds_of_processor_time(tmp_path):
    more = [card("IMAGETYP", "LIGHT"), *(card(f"KEY{n}", n * 1.5, "words") for n in range(60))]
    content = image_bytes(PIXELS, *more)
    for number in range(500):
        (tmp_path / f"{number:03d}.fits").write_bytes(content)
    start = time.process_time()
    scan = scan_folders([tmp_path])
    assert time.process_time() - start < 2
    assert len(scan.frames) == 500


def test_skipped_folders_are_left_out_silently(tmp_path):
    write_image(tmp_path / "out" / "stack.fits")
    write_image(tmp_path / "a.fits", IMAGETYP="LIGHT")
    scan = scan_folders([tmp_path], skip=[tmp_path / "out"])
    assert [frame.path.name for frame in scan.frames] == ["a.fits"]
    assert scan.problems == ()


def test_an_earlier_output_is_left_out_whole(tmp_path):
    write_image(tmp_path / "a.fits", IMAGETYP="LIGHT")
    write_image(tmp_path / "out" / "masters" / "dark.fits", IMAGETYP="dark")
    (tmp_path / "out" / SESSION_STORE_NAME).write_bytes(b"")
    scan = scan_folders([tmp_path])
    assert [frame.path.name for frame in scan.frames] == ["a.fits"]
    (problem,) = scan.problems
    assert problem.path == tmp_path / "out"
    assert "earlier run" in problem.what


def test_a_product_is_no_raw_frame(tmp_path):
    write_image(tmp_path / "a.fits", IMAGETYP="LIGHT", CREATOR="stackbench 0.1.0")
    assert "product" in only_problem(tmp_path).what


def test_folders_that_hold_nothing_or_do_not_exist(tmp_path):
    assert "holds no frames" in only_problem(tmp_path).what
    assert "does not exist" in only_problem(tmp_path / "nowhere").what


def test_a_link_to_a_folder_above_does_not_loop(tmp_path):
    write_image(tmp_path / "lights" / "a.fits")
    try:
        (tmp_path / "lights" / "again").symlink_to(tmp_path, target_is_directory=True)
    except OSError:
        pytest.skip("links are not allowed here")
    assert len(scan_folders([tmp_path]).frames) == 1


BROKEN = {
    "empty": (b"", "empty"),
    "text": (b"Just some notes, written by hand.\n" * 100, "not a FITS file"),
    "short text": (b"x", "not a FITS file"),
    "no standard": (image_bytes(PIXELS, first=card("SIMPLE", value=False)), "not a FITS file"),
    "no END": (card("SIMPLE", value=True) * 36, "never ends"),
    "no pixels": (
        header(card("SIMPLE", value=True), card("BITPIX", 8), card("NAXIS", 0)),
        "no image",
    ),
    "cube": (image_bytes(np.zeros((3, 4, 5), ">i2")), "not two-dimensional"),
    "row": (image_bytes(np.zeros(5, ">i2")), "not two-dimensional"),
    "zero width": (image_bytes(np.zeros((4, 0), ">i2")), "no image"),
    "truncated": (image_bytes(np.zeros((100, 100), ">i2"))[:-3000], "truncated"),
    "header only": (header(*image_cards(PIXELS)), "truncated"),
    "10^12 pixels": (header(*image_cards(PIXELS, shape=(10**6, 10**6))), "damaged"),
    "10^9 pixels": (header(*image_cards(PIXELS, shape=(10**4, 10**5))), "truncated"),
    "10^30 pixels": (header(*image_cards(PIXELS, shape=(10**10,) * 3)), "damaged"),
    # BITPIX: nothing but 8, 16, 32, 64, -32, -64 (FITS Standard 3.0, table 4.6).
    "BITPIX 24": (image_bytes(PIXELS, bitpix=24), "damaged"),
    "BITPIX -16": (image_bytes(PIXELS, bitpix=-16), "damaged"),
    "negative size": (image_bytes(PIXELS, shape=(-2, 3)), "damaged"),
    "no NAXIS": (header(card("SIMPLE", value=True), card("BITPIX", 16)), "damaged"),
    "no NAXIS2": (
        header(card("SIMPLE", value=True), card("BITPIX", 16), card("NAXIS", 2), card("NAXIS1", 3)),
        "damaged",
    ),
    "NAXIS is text": (
        header(card("SIMPLE", value=True), card("BITPIX", 16), card("NAXIS", "two")),
        "damaged",
    ),
    "BSCALE 0": (image_bytes(PIXELS, card("BSCALE", 0)), "damaged"),
    "gzip cut": (gzip.compress(image_bytes(np.zeros((300, 300), ">i2")))[:-9], "truncated|damaged"),
    "gzip cut early": (gzip.compress(os.urandom(9000))[:50], "damaged"),
    "gzip of too little": (
        gzip.compress(image_bytes(np.zeros((300, 300), ">i2"))[:-90_000]),
        "truncated",
    ),
    "gzip of text": (gzip.compress(b"some notes"), "not a FITS file"),
    "bzip2 cut": (
        bz2.compress(image_bytes(np.frombuffer(os.urandom(180_000), ">i2").reshape(300, 300)))[:-1],
        "damaged",
    ),
    "bzip2 broken": (b"BZh9" + b"x" * 100, "damaged"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_bad_files_become_problems_and_the_rest_is_read(tmp_path, name):
    content, words = BROKEN[name]
    (tmp_path / "bad.fits").write_bytes(content)
    write_image(tmp_path / "good.fits", IMAGETYP="LIGHT")
    scan = scan_folders([tmp_path])
    assert [frame.path.name for frame in scan.frames] == ["good.fits"]
    (problem,) = scan.problems
    assert problem.path == tmp_path / "bad.fits"
    assert any(word in problem.what for word in words.split("|"))
    assert problem.why.endswith(".")
    assert problem.remedy.endswith(".")
    assert (tmp_path / "bad.fits").read_bytes() == content


def test_a_light_of_no_exposure(tmp_path):
    write_image(tmp_path / "a.fits", IMAGETYP="LIGHT", EXPTIME=0.0)
    write_image(tmp_path / "b.fits", IMAGETYP="BIAS", EXPTIME=0.0)
    write_image(tmp_path / "c.fits", IMAGETYP="LIGHT", EXPTIME=10.0)
    frames, (problem,) = without_unexposed(scan_folders([tmp_path]).frames)
    assert [frame.path.name for frame in frames] == ["b.fits", "c.fits"]
    assert "0 seconds" in problem.what
    assert problem.path == tmp_path / "a.fits"


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="this user may read everything"
)
def test_files_and_folders_that_may_not_be_read(tmp_path):
    path = write_image(tmp_path / "a.fits", IMAGETYP="LIGHT")
    path.chmod(0)
    assert "cannot be read" in only_problem(tmp_path).what
    tmp_path.chmod(0)
    try:
        assert "cannot be read" in only_problem(tmp_path).what
    finally:
        tmp_path.chmod(0o700)


def test_files_the_system_refuses(tmp_path, monkeypatch):
    write_image(tmp_path / "a.fits", IMAGETYP="LIGHT")

    def refuse(*_args, **_options):
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", refuse)
        problem = only_problem(tmp_path)
    assert "cannot be read" in problem.what
    assert "Permission denied" in problem.why


def test_a_link_to_nowhere(tmp_path):
    try:
        (tmp_path / "a.fits").symlink_to(tmp_path / "gone.fits")
    except OSError:
        pytest.skip("links are not allowed here")
    assert "cannot be read" in only_problem(tmp_path).what


def test_the_first_flat_image_of_a_multi_extension_file(tmp_path):
    primary = header(
        *(
            card("SIMPLE", value=True),
            card("BITPIX", 8),
            card("NAXIS", 0),
            card("EXTEND", value=True),
        ),
        *(card("OBJECT", "Field 7"), card("IMAGETYP", "LIGHT"), card("EXPTIME", 60.0)),
    )
    cube = image_bytes(np.zeros((2, 3, 4), ">i2"), first=card("XTENSION", "IMAGE"))
    flat = image_bytes(PIXELS, card("EXPTIME", 30.0), first=card("XTENSION", "IMAGE"))
    (tmp_path / "a.fits").write_bytes(primary + cube + flat)
    (frame,) = scan_folders([tmp_path]).frames
    assert (frame.layout.hdu, frame.layout.shape) == (2, (2, 3))
    assert frame.layout.data_offset == 2880 + len(cube) + 2880
    # The image's own cards come first, then the primary header's.
    assert (frame.target, frame.kind, frame.exposure_s) == ("Field 7", Kind.LIGHT, 30.0)


def test_a_third_axis_of_one_plane_and_missing_padding(tmp_path):
    content = image_bytes(PIXELS.reshape(1, 2, 3), card("IMAGETYP", "LIGHT"))
    (tmp_path / "a.fits").write_bytes(content[: 2880 + 12])
    assert scan_folders([tmp_path]).frames[0].layout.shape == (2, 3)


def test_sizes_of_files_by_the_standard():
    # Nbits = |BITPIX| · Π NAXISn, padded to blocks of 2880 bytes (FITS Standard 3.0,
    # equation 4.2; RFC 4047 section 4.1).
    assert len(image_bytes(np.zeros((1, 5), ">i2"))) == 5760
    assert len(padded(bytes(23_388_736))) == 23_391_360 == 8122 * 2880


@pytest.mark.parametrize("bitpix", [8, 16, 32, 64, -32, -64])
@pytest.mark.parametrize("where", ["primary", "extension", "tiled"])
def test_layouts_agree_with_astropy(tmp_path, bitpix, where):
    kind = {8: "u1", 16: "i2", 32: "i4", 64: "i8", -32: "f4", -64: "f8"}[bitpix]
    data = np.arange(35).reshape(5, 7).astype(kind)
    hdu = {
        "primary": lambda: fits.PrimaryHDU(data),
        "extension": lambda: fits.ImageHDU(data),
        "tiled": lambda: fits.CompImageHDU(data, compression_type="GZIP_1"),
    }[where]()
    hdus = [hdu] if where == "primary" else [fits.PrimaryHDU(), hdu]
    fits.HDUList(hdus).writeto(tmp_path / "dark.fits")
    (frame,) = scan_folders([tmp_path]).frames
    with fits.open(tmp_path / "dark.fits") as opened:
        found = opened[frame.layout.hdu]
        assert found.data.shape == frame.layout.shape
        offset = None if where == "tiled" else found.fileinfo()["datLoc"]
    assert frame.layout.bitpix == bitpix
    assert frame.layout.data_offset == offset


def test_a_link_to_itself_is_told_and_the_rest_is_found(tmp_path):
    write_image(tmp_path / "lights" / "a.fits")
    try:
        (tmp_path / "lights" / "loop").symlink_to(tmp_path / "lights" / "loop")
    except OSError:
        pytest.skip("links are not allowed here")
    found = scan_folders([tmp_path])
    assert len(found.frames) == 1
    assert any(one.path is not None and one.path.name == "loop" for one in found.problems)


def test_the_mosaic_of_a_colour_camera_is_told_of(tmp_path):
    for n in range(2):
        write_image(tmp_path / f"light_{n}.fits", BAYERPAT="RGGB", IMAGETYP="Light")
    (problem,) = [one for one in scan_folders([tmp_path]).problems if "mosaic" in one.what]
    assert problem.what.startswith("2 lights are")
