"""Choices inside kernels, without branches.

Python's own `min`, `max` and `… if … else …` become branches, and numba compiles
`min` and `max` anew for every kind of kernel and every plain number among
their operands.
"""

from typing import Any, TypeAlias

import numpy as np
from numba import types
from numba.core.errors import TypingError
from numba.core.types.misc import unliteral
from numba.extending import intrinsic

# A whole number inside the kernels; Python's int for the type checker.
Index: TypeAlias = int | np.int64


def _one_type(one: Any, other: Any) -> Any:
    """Give the type that both have."""
    kind = unliteral(one)
    if kind != unliteral(other):
        raise TypingError(f"two values of one type wanted, not {one} and {other}")
    return kind


def _extreme(comparison: str) -> Any:
    """Make a choice between two numbers of one type by comparing them."""

    def typed(_context: Any, one: Any, other: Any) -> Any:
        kind = _one_type(one, other)
        if not isinstance(kind, (types.Float, types.Integer)):
            raise TypingError(f"numbers wanted that can be compared, not {one}")

        def generate(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:
            if isinstance(kind, types.Float):
                chosen = builder.fcmp_ordered(comparison, *values)
            elif kind.signed:
                chosen = builder.icmp_signed(comparison, *values)
            else:
                chosen = builder.icmp_unsigned(comparison, *values)
            return builder.select(chosen, *values)

        return kind(kind, kind), generate

    return intrinsic(typed)


lower = _extreme("<")
"""The lower of two numbers of one type; the second where one is NaN."""

upper = _extreme(">")
"""The higher of two numbers of one type; the second where one is NaN."""


def _chosen(_context: Any, condition: Any, value: Any, otherwise: Any) -> Any:
    """Choose between two values of one type."""
    kind = _one_type(value, otherwise)
    if not isinstance(condition, types.Boolean):
        raise TypingError(f"a condition wanted, not {condition}")

    def generate(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:
        return builder.select(*values)

    return kind(types.boolean, kind, kind), generate


where = intrinsic(_chosen)
"""The first of two values of one type where a condition holds, else the second."""
