"""Lane blocks: a few pixels side by side, worked on as whole rows.

The kernels of this floor take `LANES` neighbouring pixels at a time, with the
depth in the outer loop and the lanes in the inner one, so that the compiler
turns each inner loop into vector instructions. All fields of a block lie in
one buffer at fixed distances: the compiler then needs no overlap checks
between them. Every index is unsigned, which spares the wrap-around of
negative ones.
"""

from typing import TypeAlias

import numpy as np

# An unsigned integer inside the kernels; Python's int for the type checker.
Index: TypeAlias = int | np.uint64

LANES = 128
WIDTH = np.uint64(LANES)
ONE = np.uint64(1)
TWO = np.uint64(2)
THREE = np.uint64(3)
FOUR = np.uint64(4)
NONE = np.uint64(0)
