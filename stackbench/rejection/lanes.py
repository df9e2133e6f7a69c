"""Lane blocks: a few pixels side by side, worked on as whole rows.

The kernels of this floor take `LANES` neighbouring pixels at a time, with the
depth in the outer loop and the lanes in the inner one, so that the compiler
turns each inner loop into vector instructions. All fields of a block lie in
one buffer at fixed distances: the compiler then needs no overlap checks
between them. Every index is unsigned, which spares the wrap-around of
negative ones.
"""

from typing import Any, TypeAlias

import numpy as np
from llvmlite import ir
from numba.extending import intrinsic

# An unsigned integer inside the kernels; Python's int for the type checker.
Index: TypeAlias = int | np.uint64

LANES = 128
WIDTH = np.uint64(LANES)
ONE = np.uint64(1)
TWO = np.uint64(2)
THREE = np.uint64(3)
FOUR = np.uint64(4)
NONE = np.uint64(0)


def _extreme(name: str) -> Any:
    """Make the lower or higher of two floats; neither may be NaN.

    A comparison, also that of `frames.instructions`, would become a masked store
    where the result goes back to where one of the two came from; that costs some
    processors twenty times a plain one.
    """

    def typed(_context: Any, one: Any, other: Any) -> Any:
        def generate(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:
            kind = values[0].type
            signature = ir.FunctionType(kind, [kind, kind])
            function = builder.module.declare_intrinsic(name, [kind], signature)
            return builder.call(function, values, fastmath=("nnan", "nsz"))

        return one(one, other), generate

    return intrinsic(typed)


lower = _extreme("llvm.minnum")
upper = _extreme("llvm.maxnum")
