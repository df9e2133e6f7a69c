"""Channels as FITS and TIFF, previews, tables, report."""
