"""One vector instruction set's worth of help: 6×6 taps as rows of eight lanes.

A compiler does not find by itself that the taps of one pixel can be taken
row by row as vectors, so the few operations are spelt out here. They are
written for any machine: where a vector of eight does not exist, the compiler
splits it.
"""

from typing import Any

import llvmlite.ir as ll
from numba import types
from numba.extending import intrinsic

_LANES = ll.VectorType(ll.FloatType(), 8)
_FLAGS = ("contract",)


def _load(builder: Any, base: Any, index: Any) -> Any:
    pointer = builder.bitcast(builder.gep(base, [index]), _LANES.as_pointer())
    return builder.load(pointer, align=4)


def _lane(builder: Any, vector: Any, number: int) -> Any:
    return builder.extract_element(vector, ll.Constant(ll.IntType(32), number))


def _splat(builder: Any, value: Any) -> Any:
    empty = ll.Constant(_LANES, ll.Undefined)
    one = builder.insert_element(empty, value, ll.Constant(ll.IntType(32), 0))
    return builder.shuffle_vector(one, empty, _pattern([0] * 8))


def _pattern(numbers: list[int]) -> Any:
    return ll.Constant(ll.VectorType(ll.IntType(32), len(numbers)), numbers)


def _choose(builder: Any, sign: str, one: Any, other: Any) -> Any:
    return builder.select(builder.fcmp_ordered(sign, one, other), one, other)


def _middle_extreme(builder: Any, sign: str, rows: list[Any]) -> Any:
    """Take the least or largest of the four middle rows' four middle lanes."""
    both = [_choose(builder, sign, rows[0], rows[1]), _choose(builder, sign, rows[2], rows[3])]
    column = _choose(builder, sign, both[0], both[1])
    four = builder.shuffle_vector(column, column, _pattern([1, 2, 3, 4]))
    swapped = builder.shuffle_vector(four, four, _pattern([2, 3, 0, 1]))
    two = _choose(builder, sign, four, swapped)
    return _choose(builder, sign, _lane(builder, two, 0), _lane(builder, two, 1))


def _sum(builder: Any, vector: Any) -> Any:
    low = builder.shuffle_vector(vector, vector, _pattern([0, 1, 2, 3]))
    high = builder.shuffle_vector(vector, vector, _pattern([4, 5, 6, 7]))
    four = builder.fadd(low, high)
    two = builder.fadd(four, builder.shuffle_vector(four, four, _pattern([2, 3, 0, 1])))
    return builder.fadd(_lane(builder, two, 0), _lane(builder, two, 1))


@intrinsic  # type: ignore[untyped-decorator, unused-ignore]
def weigh_square(
    typing: Any, data: Any, at: Any, pitch: Any, table: Any, right: Any, down: Any,
    slack: Any, share: Any,
) -> Any:  # fmt: skip
    """Weigh 6×6 pixels, and limit the undershoot.

    Parameters
    ----------
    typing : object
        Given by numba.
    data : 1-D float32 array
        Pixels, row after row, with at least two more after the last tap.
    at, pitch : int
        Index of the first tap; pixels from row to row.
    table : 1-D float32 array
        Weights, eight to a phase.
    right, down : int
        Index in `table` of the weights in x and in y.
    slack, share : float32
        The ringing limit.

    Returns
    -------
    float32
        The weighted sum, no lower than the limit.
    """
    del typing, at, pitch, right, down, slack, share
    result = types.float32(data, types.intp, types.intp, table, types.intp, types.intp,
                           types.float32, types.float32)  # fmt: skip

    def _generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        pixels = context.make_array(signature.args[0])(context, builder, arguments[0]).data
        weights = context.make_array(signature.args[3])(context, builder, arguments[3]).data
        at, pitch, right, down, slack, share = (arguments[i] for i in (1, 2, 4, 5, 6, 7))
        across = _load(builder, weights, right)
        rows, total = [], None
        for k in range(6):
            rows.append(_load(builder, pixels, at))
            at = builder.add(at, pitch)
            one = builder.add(down, ll.Constant(down.type, k))
            weight = _splat(builder, builder.load(builder.gep(weights, [one])))
            part = builder.fmul(weight, rows[-1], flags=_FLAGS)
            total = part if total is None else builder.fadd(total, part, flags=_FLAGS)
        value = _sum(builder, builder.fmul(total, across, flags=_FLAGS))
        floor = _middle_extreme(builder, "<", rows[1:5])
        top = _middle_extreme(builder, ">", rows[1:5])
        room = builder.fadd(slack, builder.fmul(share, builder.fsub(top, floor)))
        return _choose(builder, ">", value, builder.fsub(floor, room))

    return result, _generate
