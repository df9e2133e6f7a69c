"""The depths of TIFF files, for settings to name without loading what writes them."""

from enum import StrEnum


class TiffDepth(StrEnum):
    """How a pixel of a TIFF is stored."""

    UINT16 = "uint16"
    FLOAT32 = "float32"
