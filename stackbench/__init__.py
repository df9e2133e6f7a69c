"""From a night's folder of FITS frames to aligned, stacked mono channels."""

__version__ = "0.1.0"
