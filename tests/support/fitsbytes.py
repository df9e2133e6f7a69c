"""FITS files put together byte by byte, right or wrong as a test needs them."""

from pathlib import Path

import numpy as np


def card(key, value=None, comment=""):
    """One 80-byte card in fixed format; a raw string card if `value` is None."""
    if value is None:
        return key.ljust(80).encode("utf-8")[:80]
    if isinstance(value, bool):
        text = f"{'T' if value else 'F':>20}"
    elif isinstance(value, str):
        text = "'" + value.replace("'", "''").ljust(8) + "'"
    else:
        text = f"{value!r:>20}"
    return f"{key:<8}= {text} / {comment}".encode("latin-1").ljust(80)[:80]


def header(*cards):
    """Join cards, add END, pad with blanks to whole blocks."""
    joined = b"".join(cards) + card("END")
    return joined + b" " * (-len(joined) % 2880)


def padded(data):
    """Pad data with zeros to whole blocks."""
    return data + b"\0" * (-len(data) % 2880)


def image_cards(stored, *more, first=None, shape=None, bitpix=None):
    """Mandatory cards of an image of stored (big-endian) values, then `more`."""
    shape = stored.shape if shape is None else shape
    kind = {"u": 1, "i": 1, "f": -1}[stored.dtype.kind]
    bitpix = kind * 8 * stored.dtype.itemsize if bitpix is None else bitpix
    axes = [card(f"NAXIS{n}", size) for n, size in enumerate(reversed(shape), start=1)]
    first = card("SIMPLE", value=True) if first is None else first
    return [first, card("BITPIX", bitpix), card("NAXIS", len(shape)), *axes, *more]


def image_bytes(stored, *more, **options):
    """A whole single-image file."""
    return header(*image_cards(stored, *more, **options)) + padded(stored.tobytes())


def write_image(path, stored=None, /, **values):
    """Write a small image with header values by keyword (``_`` stands for ``-``)."""
    stored = np.zeros((2, 3), ">i2") if stored is None else stored
    more = [card(key.replace("_", "-"), value) for key, value in values.items()]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(image_bytes(stored, *more))
    return Path(path)
