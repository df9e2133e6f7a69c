"""Masters, stacks and channels as FITS files that tell where they come from."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackbench.export.blocks import Product, read_hdu, write_hdu
from stackbench.export.cards import Card
from stackbench.export.files import replacing
from stackbench.export.provenance import ProductFacts, Provenance, product_cards
from stackbench.export.wcs import wcs_cards

_BAD_CARDS: list[Card] = [
    ("COMMENT", "One bad pixel per row: y * NAXIS1 + x of the image, from 0, and its sort:", ""),
    ("COMMENT", "1 hot, 2 cold, 3 unstable, 4 dim, 5 bright, 6 of an odd column.", ""),
]


def write_master(
    path: Path,
    image: NDArray[np.float32],
    *,
    bad: NDArray[np.int32] | None = None,
    facts: ProductFacts,
    provenance: Provenance,
) -> None:
    """Write a master frame.

    Parameters
    ----------
    path : Path
        The file to make or to replace.
    image : ndarray, shape (ny, nx), float32
        ADU; a flat relative to 1. NaN where undefined.
    bad : ndarray, shape (n, 2), int32, optional
        Bad pixels, each as y × nx + x and the number of its sort; extension BADPIX.
    facts : ProductFacts
        What it shows.
    provenance : Provenance
        What it was made of.

    Raises
    ------
    WriteError
        When the system refuses to write.
    """
    with replacing(path) as stream:
        write_hdu(stream, image=_as_float32(image), cards=product_cards(facts, provenance))
        if bad is not None:
            write_hdu(stream, image=bad, cards=_BAD_CARDS, name="BADPIX")


def write_channel(
    path: Path, image: NDArray[np.float32], *, facts: ProductFacts, provenance: Provenance
) -> None:
    """Write a finished channel.

    Parameters
    ----------
    path : Path
        The file to make or to replace.
    image : ndarray, shape (ny, nx), float32
        The common crop of a stack, ADU; a view will do. NaN where undefined.
    facts : ProductFacts
        What it shows; its world coordinates are those of the crop.
    provenance : Provenance
        What it was made of.

    Raises
    ------
    WriteError
        When the system refuses to write.
    """
    _write_image(path, image, facts, provenance)


def write_stack(
    path: Path,
    image: NDArray[np.float32],
    *,
    coverage: NDArray[np.integer[Any]],
    clipped_low: NDArray[np.integer[Any]],
    clipped_high: NDArray[np.integer[Any]],
    noise: NDArray[np.float32],
    facts: ProductFacts,
    provenance: Provenance,
) -> None:
    """Write a stack with what is known about each of its pixels.

    Counts are stored in the smallest of uint8, int16 and int32 that holds
    them.

    Parameters
    ----------
    path : Path
        The file to make or to replace.
    image : ndarray, shape (ny, nx), float32
        The stack, ADU of the reference sub's scale; NaN where undefined.
    coverage : ndarray, shape (ny, nx), integer
        Values kept at each pixel; extension COVERAGE.
    clipped_low, clipped_high : ndarray, shape (ny, nx), integer
        Values rejected as too low and too high; CLIPLOW and CLIPHIGH.
    noise : ndarray, shape (ny, nx), float32
        1σ of the mean, ADU, NaN where undefined; extension NOISE.
    facts : ProductFacts
        What it shows.
    provenance : Provenance
        What it was made of.

    Raises
    ------
    ValueError
        If the images differ in shape.
    WriteError
        When the system refuses to write.
    """
    counts = {"COVERAGE": coverage, "CLIPLOW": clipped_low, "CLIPHIGH": clipped_high}
    for name, plane in {**counts, "NOISE": noise}.items():
        if plane.shape != image.shape:
            raise ValueError(f"{name} has shape {plane.shape}, the stack {image.shape}")
    sky: list[Card] = wcs_cards(facts.wcs) if facts.wcs else []
    with replacing(path) as stream:
        write_hdu(stream, image=_as_float32(image), cards=product_cards(facts, provenance))
        for name, plane in counts.items():
            unit: Card = ("BUNIT", "count", "frames")
            write_hdu(stream, image=_compact(plane), cards=[unit, *sky], name=name)
        unit = ("BUNIT", "adu", "1 sigma of the mean")
        write_hdu(stream, image=_as_float32(noise), cards=[unit, *sky], name="NOISE")


def read_image(path: Path, *, extension: str = "", verify: bool = True) -> Product:
    """Read a master, a stack or a channel of an earlier run.

    Parameters
    ----------
    path : Path
        A file that this module wrote.
    extension : str
        Name of the extension; empty for the image itself.
    verify : bool
        Compare the pixels with their checksum.

    Returns
    -------
    Product
        `image` in native byte order, (ny, nx), and the header's values.

    Raises
    ------
    ProductError
        If the file is not such a product, or not whole.
    OSError
        If it cannot be read.
    """
    return read_hdu(path, name=extension, verify=verify)


def _write_image(
    path: Path, image: NDArray[np.float32], facts: ProductFacts, provenance: Provenance
) -> None:
    with replacing(path) as stream:
        write_hdu(stream, image=_as_float32(image), cards=product_cards(facts, provenance))


def _as_float32(image: NDArray[Any]) -> NDArray[np.float32]:
    return image.astype(np.float32, copy=False)


def _compact(counts: NDArray[np.integer[Any]]) -> NDArray[Any]:
    highest = int(counts.max(initial=0))
    for dtype in (np.uint8, np.int16, np.int32):
        if highest <= np.iinfo(dtype).max:
            return counts.astype(dtype, copy=False)
    raise ValueError(f"a count of {highest} frames cannot be")
