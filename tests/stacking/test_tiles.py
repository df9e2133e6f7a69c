import numpy as np
import pytest

from stackbench.registration.placement import place
from stackbench.stacking.tiles import CUBE_BYTES, cut_grid
from tests.support.subs import similarity


@pytest.mark.parametrize("degrees", [0, 0.2, 90, 17])
@pytest.mark.parametrize("depth", [1, 16, 200, 1000])
@pytest.mark.parametrize("shape", [(37, 50), (2504, 3326), (6388, 9576)])
def test_pieces_cover_the_grid_once(degrees, depth, shape):
    placements = [place(similarity(degrees=degrees), shape)] * depth
    pieces = cut_grid(shape, placements, jobs=2)
    times = np.zeros(shape, dtype=np.uint8)
    for piece in pieces:
        times[piece.y0 : piece.y1, piece.x0 : piece.x1] += 1
        assert piece.x0 % 1024 == 0
        rows, columns = piece.shape
        assert 4 * depth * rows * columns <= CUBE_BYTES
    assert (times == 1).all()
    lean = 4 * depth * 16 * shape[1] <= CUBE_BYTES
    assert (pieces[0].shape[1] == shape[1]) == ((degrees < 1 and lean) or shape[1] < 1024)
