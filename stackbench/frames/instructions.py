"""Choices inside kernels that become one instruction each.

Python's own `min`, `max` and `… if … else …` become branches and masked stores
where kernels need none, and numba compiles `min` and `max` anew for every kind
of kernel and every plain number among their operands.
"""

from typing import Any

from numba import types
from numba.core.errors import TypingError
from numba.core.types.misc import unliteral
from numba.extending import intrinsic


def _extreme(comparison: str) -> Any:
    """Make a choice between two numbers of one type by comparing them."""

    def typed(_context: Any, one: Any, other: Any) -> Any:
        kind = unliteral(one)
        if kind != unliteral(other):
            raise TypingError(f"two numbers of one type wanted, not {one} and {other}")

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


def _chosen(_context: Any, _condition: Any, value: Any, _otherwise: Any) -> Any:
    """Choose between two values of one type."""

    def generate(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:
        return builder.select(*values)

    return value(types.boolean, value, value), generate


where = intrinsic(_chosen)
"""The first of two values of one type where a condition holds, else the second."""
