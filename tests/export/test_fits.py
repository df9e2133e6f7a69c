"""Masters, stacks and channels as FITS, judged by astropy."""

import errno
import os
from datetime import UTC, datetime, timedelta, timezone
from io import BufferedRandom
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from numpy.typing import NDArray

from stackbench import __version__
from stackbench.export import blocks
from stackbench.export.files import WriteError
from stackbench.export.fits import read_image, write_channel, write_master, write_stack
from stackbench.export.provenance import InputFile, ProductFacts, Provenance
from stackbench.export.wcs import Wcs
from stackbench.frames.records import CameraSetup, Setup

_SHAPE = (40, 60)
_SETUP = Setup(
    camera=CameraSetup(
        camera="Mono \u00b5-Cam", binning=(2, 1), gain_setting=100.0, shape=_SHAPE, read_mode="low"
    ),
    telescope="<b>Long \u03b1</b>",
    focal_length_mm=530.0,
)
_WCS = Wcs(
    ctype=("RA---TAN", "DEC--TAN"),
    crval=(83.8, -5.4),
    crpix=(30.0, 20.0),
    cd=((-4e-4, 0.0), (0.0, 4e-4)),
    frame=(("RADESYS", "ICRS"),),
)


def _facts(kind: str = "stack") -> ProductFacts:
    return ProductFacts(
        kind=kind,
        frames=300,
        setup=_SETUP,
        target='=HYPERLINK("../../x") M 51/\u03b1?',
        filter="H\u03b1",
        exposure_s=90000.0,
        time_start=datetime(2031, 2, 3, 22, 15, 16, 500000, tzinfo=UTC),
        time_end=datetime(2031, 2, 4, 6, 0, tzinfo=timezone(timedelta(hours=2))),
        noise_adu=float("nan"),
        fwhm_px=2.5,
        wcs=_WCS,
    )


def _provenance(count: int = 300) -> Provenance:
    return Provenance(
        inputs=tuple(
            InputFile(
                name=f"a rather long name of a light frame, told in full, {n:05d}.fits",
                sha256=f"{n:064x}",
            )
            for n in range(count)
        ),
        settings={"stacking.kappa_low": 3.0, "stacking.method": "auto", "none": None},
        versions={"numpy": "2.4"},
        notes=("no flat was found; the vignetting remains",),
        written=datetime(2031, 2, 4, 9, 0, tzinfo=UTC),
    )


def _image(seed: int = 0) -> NDArray[np.float32]:
    image = np.random.default_rng(seed).normal(1000, 5, _SHAPE).astype(np.float32)
    image[3, 4] = np.nan
    return image


def _write_stack(path: Path, *, highest: int = 300) -> dict[str, NDArray[np.generic]]:
    planes = {
        "PRIMARY": _image(),
        "COVERAGE": np.full(_SHAPE, highest, dtype=np.uint16),
        "CLIPLOW": np.zeros(_SHAPE, dtype=np.uint16),
        "CLIPHIGH": np.eye(*_SHAPE, dtype=np.int32),
        "NOISE": _image(1),
    }
    write_stack(
        path,
        planes["PRIMARY"],
        coverage=planes["COVERAGE"],
        clipped_low=planes["CLIPLOW"],
        clipped_high=planes["CLIPHIGH"],
        noise=planes["NOISE"],
        facts=_facts(),
        provenance=_provenance(),
    )
    return planes


def test_a_stack_is_verified_by_astropy_in_every_part(tmp_path: Path) -> None:
    path = tmp_path / "stacks" / "a.fits"
    planes = _write_stack(path)
    with fits.open(path, checksum=True) as hdus:
        hdus.verify("exception")
        assert [hdu.name for hdu in hdus] == list(planes)
        for hdu in hdus:
            assert hdu.verify_checksum() == 1
            assert hdu.verify_datasum() == 1
            np.testing.assert_array_equal(hdu.data, planes[hdu.name])
        assert [hdu.header["BITPIX"] for hdu in hdus] == [-32, 16, 8, 8, -32]
        sky = WCS(hdus["NOISE"].header).pixel_to_world_values(29, 19)
        assert [float(value) for value in sky] == pytest.approx([83.8, -5.4])
    for name, plane in planes.items():
        product = read_image(path, extension="" if name == "PRIMARY" else name)
        assert product.image.dtype.isnative
        np.testing.assert_array_equal(product.image, plane)


def test_the_header_tells_what_and_where_from(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    _write_stack(path)
    header = fits.getheader(path)
    assert header["CREATOR"] == f"stackbench {__version__}"
    assert header["OBJECT"] == '=HYPERLINK("../../x") M 51/alpha?'
    assert header["FILTER"] == "Halpha"
    assert header["INSTRUME"] == "Mono u-Cam"
    assert header["TELESCOP"] == "<b>Long alpha</b>"
    assert (header["XBINNING"], header["YBINNING"], header["GAIN"]) == (2, 1, 100.0)
    assert header["EXPTIME"] == 90000.0
    assert header["DATE-OBS"] == header["DATE-BEG"] == "2031-02-03T22:15:16.500"
    assert header["DATE-END"] == "2031-02-04T04:00:00.000"  # given in another zone
    assert header["TIMESYS"] == "UTC"
    assert header["BUNIT"] == "adu"
    assert header["FWHM"] == 2.5
    assert "NOISE" not in header  # not known
    assert "OFFSET" not in header
    assert header["NCOMBINE"] == header["NINPUT"] == 300
    assert header["IN0300"] == "a rather long name of a light frame, told in full, 00299.fits"
    assert header["IS0300"] == f"{299:064x}"
    history = list(header["HISTORY"])
    assert "setting stacking.kappa_low = 3.0" in history
    assert "version numpy = 2.4" in history
    assert "note no flat was found; the vignetting remains" in history
    ours = read_image(path).header
    for key in ("CREATOR", "OBJECT", "IN0300", "IS0300", "CRVAL1", "CD1_1", "DATASUM"):
        assert ours[key] == header[key]


def test_the_same_stack_is_the_same_file(tmp_path: Path) -> None:
    _write_stack(tmp_path / "a.fits")
    _write_stack(tmp_path / "b.fits")
    assert (tmp_path / "a.fits").read_bytes() == (tmp_path / "b.fits").read_bytes()


@pytest.mark.parametrize(("highest", "bitpix"), [(255, 8), (256, 16), (32767, 16), (32768, 32)])
def test_counts_of_any_night_fit(tmp_path: Path, highest: int, bitpix: int) -> None:
    path = tmp_path / "a.fits"
    _write_stack(path, highest=highest)
    with fits.open(path) as hdus:
        assert hdus["COVERAGE"].header["BITPIX"] == bitpix
        assert hdus["COVERAGE"].data.max() == highest


@pytest.mark.parametrize(("kind", "unit"), [("bias", "adu"), ("dark", "adu"), ("flat", None)])
def test_a_master_says_its_kind_and_unit(tmp_path: Path, kind: str, unit: str | None) -> None:
    path = tmp_path / "a.fits"
    facts = ProductFacts(kind=kind, frames=20, read_noise_e=3.5, rejected_pixels=0)
    write_master(path, _image(), facts=facts, provenance=_provenance(20))
    with fits.open(path, checksum=True) as hdus:
        hdus.verify("exception")
        header = hdus[0].header
        assert header["IMAGETYP"] == f"master {kind}"
        assert header.get("BUNIT") == unit
        assert (header["RDNOISE"], header["NREJECT"]) == (3.5, 0)
        for unknown in ("OBJECT", "FILTER", "EXPTIME", "DATE-OBS", "INSTRUME", "CRVAL1"):
            assert unknown not in header
    np.testing.assert_array_equal(read_image(path).image, _image())


def test_a_channel_may_be_a_view_of_a_stack(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    crop = _image()[5:35, 7:50]
    write_channel(path, crop, facts=_facts("channel"), provenance=_provenance(3))
    with fits.open(path, checksum=True) as hdus:
        hdus.verify("exception")
        assert len(hdus) == 1
        np.testing.assert_array_equal(hdus[0].data, crop)


def test_planes_of_another_shape_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="CLIPLOW has shape"):
        write_stack(
            tmp_path / "a.fits",
            _image(),
            coverage=np.ones(_SHAPE, dtype=np.uint8),
            clipped_low=np.ones((3, 3), dtype=np.uint8),
            clipped_high=np.ones(_SHAPE, dtype=np.uint8),
            noise=_image(),
            facts=_facts(),
            provenance=_provenance(1),
        )
    assert list(tmp_path.iterdir()) == []


class _FullDisk:
    """A file on a disk that is full after some bytes."""

    def __init__(self, stream: BufferedRandom, room: int) -> None:
        self._stream, self._room = stream, room

    def write(self, data: bytes) -> int:
        self._room -= len(memoryview(data).cast("B")) if len(data) else 0
        if self._room < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return self._stream.write(data)

    def tell(self) -> int:
        return self._stream.tell()

    def seek(self, offset: int) -> int:
        return self._stream.seek(offset)


@pytest.mark.parametrize("room", [0, 100, 40000, 45000, 60000])
def test_a_full_disk_leaves_the_old_stack(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    path = tmp_path / "a.fits"
    path.write_bytes(b"the old stack")
    write_hdu = blocks.write_hdu

    def on_full_disk(stream, **options) -> None:  # type: ignore[no-untyped-def]
        write_hdu(_FullDisk(stream, room - stream.tell()), **options)

    monkeypatch.setattr("stackbench.export.fits.write_hdu", on_full_disk)
    with pytest.raises(WriteError, match="the disk is full") as caught:
        _write_stack(path)
    assert caught.value.path == path
    assert path.read_bytes() == b"the old stack"
    assert [p.name for p in tmp_path.iterdir()] == ["a.fits"]
