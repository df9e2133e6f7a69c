"""From arrays to what Qt draws."""

import numpy as np
from numpy.typing import NDArray
from PySide6.QtGui import QImage, QPixmap, QTransform


def grey_pixmap(grey: NDArray[np.uint8]) -> QPixmap:
    """Turn a grey picture into a pixmap.

    Parameters
    ----------
    grey : ndarray, shape (ny, nx), uint8
        From black to white.

    Returns
    -------
    QPixmap
        Row 0 at the top.
    """
    grey = np.ascontiguousarray(grey)
    ny, nx = grey.shape
    return QPixmap.fromImage(QImage(grey.data, nx, ny, nx, QImage.Format.Format_Grayscale8))


def colour_pixmap(
    red: NDArray[np.uint8], green: NDArray[np.uint8], blue: NDArray[np.uint8]
) -> QPixmap:
    """Turn three grey pictures of equal size into the colours of one pixmap.

    Parameters
    ----------
    red, green, blue : ndarray, shape (ny, nx), uint8
        From dark to bright.

    Returns
    -------
    QPixmap
        Row 0 at the top.
    """
    rgb = np.ascontiguousarray(np.stack([red, green, blue], axis=-1))
    ny, nx, _ = rgb.shape
    return QPixmap.fromImage(QImage(rgb.data, nx, ny, 3 * nx, QImage.Format.Format_RGB888))


def transform_of(matrix: NDArray[np.float64]) -> QTransform:
    """Turn a transform of ours into one of Qt's.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3), float64
        Acts on columns (x, y, 1).

    Returns
    -------
    QTransform
        Qt multiplies rows from the left: its matrix is the transposed one.
    """
    (a, b, c), (d, e, f), (g, h, i) = matrix.tolist()
    return QTransform(a, d, g, b, e, h, c, f, i)
