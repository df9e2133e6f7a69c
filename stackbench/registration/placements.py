"""Placements that like triangles of sub and reference propose."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.registration.asterisms import Asterisms, ShapeIndex

# Reference triangles looked up for each triangle of the sub.
_SHAPES_TRIED = 5
# Centroid error of both ends of a side together, 2.5σ for σ = 0.2 px each,
# and the change of shape by distortion that two pointings may see.
_SIDE_ERROR_PX = 0.7
_DISTORTION = 0.001
_SHAPE_LIMIT = 0.012


@dataclass(frozen=True, slots=True, kw_only=True)
class Placements:
    """Candidate similarities w = a z + b, or a z* + b where `mirrored`, as arrays."""

    a: NDArray[np.complex128]
    b: NDArray[np.complex128]
    mirrored: NDArray[np.bool_]

    def matrix(self, index: int) -> NDArray[np.float64]:
        """Write one placement as a matrix.

        Parameters
        ----------
        index : int
            Which placement.

        Returns
        -------
        ndarray, shape (3, 3), float64
            Transform from sub to reference.
        """
        a, b = complex(self.a[index]), complex(self.b[index])
        sign = -1.0 if self.mirrored[index] else 1.0
        return np.array(
            [[a.real, -sign * a.imag, b.real], [a.imag, sign * a.real, b.imag], [0.0, 0.0, 1.0]]
        )

    def apply(self, chosen: NDArray[np.intp], xy: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Map positions through several placements.

        Parameters
        ----------
        chosen : ndarray, shape (m,), int
            Which placements.
        xy : ndarray, shape (n, 2), float64
            Positions on the sub, pixels.

        Returns
        -------
        ndarray, shape (m, n), complex128
            Positions x + iy on the reference.
        """
        z = xy @ np.array([1, 1j])
        turned = np.where(self.mirrored[chosen][:, None], z.conj(), z)
        mapped: NDArray[np.complex128] = self.a[chosen][:, None] * turned
        mapped += self.b[chosen][:, None]
        return mapped


def propose(
    xy: NDArray[np.float64],
    triangles: Asterisms,
    reference_xy: NDArray[np.float64],
    known: ShapeIndex,
    *,
    scales: tuple[float, float],
) -> Placements:
    """Propose a placement for each pair of like triangles.

    Parameters
    ----------
    xy : ndarray, shape (n, 2), float64
        Stars of the sub, pixels.
    triangles : Asterisms
        Their triangles.
    reference_xy : ndarray, shape (m, 2), float64
        Stars of the reference, pixels.
    known : ShapeIndex
        Their triangles.
    scales : tuple of float
        Least and greatest scale from sub to reference that is believed.

    Returns
    -------
    Placements
        The least-squares similarity of each pair of like triangles.
    """
    tried = max(1, min(_SHAPES_TRIED, len(known.triangles.base_px)))
    distance, found = known.tree.query(
        triangles.shapes, k=np.arange(1, tried + 1), distance_upper_bound=_SHAPE_LIMIT
    )
    tolerance = _DISTORTION + _SIDE_ERROR_PX / triangles.base_px
    ours, column = np.nonzero(distance <= tolerance[:, None])
    theirs = np.asarray(found)[ours, column]
    ratio = known.triangles.base_px[theirs] / triangles.base_px[ours]
    believed = (ratio >= scales[0]) & (ratio <= scales[1])
    ours, theirs = ours[believed], theirs[believed]
    to_complex = np.array([1, 1j])
    z = xy[triangles.stars[ours]] @ to_complex
    w = reference_xy[known.triangles.stars[theirs]] @ to_complex
    mirrored = triangles.mirror[ours] != known.triangles.mirror[theirs]
    z = np.where(mirrored[:, None], z.conj(), z)
    z_mean, w_mean = z.mean(axis=1), w.mean(axis=1)
    dz, dw = z - z_mean[:, None], w - w_mean[:, None]
    a = (dz.conj() * dw).sum(axis=1) / np.square(np.abs(dz)).sum(axis=1)
    return Placements(a=a, b=w_mean - a * z_mean, mirrored=mirrored)
