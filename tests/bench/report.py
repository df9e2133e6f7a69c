"""What a part of the benchmarks found: lines to read, figures to keep, curves to draw."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Seconds and peak memory of one program against the number of lights."""

    program: str
    lights: list[int]
    seconds: list[float]
    peak_gib: list[float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part's outcome."""

    title: str
    lines: list[str]
    figures: dict[str, Any]
    curves: list[Curve] = field(default_factory=list)


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Write a Markdown table whose columns stand under each other; numbers to the right."""
    widths = [max(len(cell) for cell in column) for column in zip(heads, *rows, strict=True)]

    def line(cells: Sequence[str]) -> str:
        first, *others = zip(cells, widths, strict=True)
        parts = [first[0].ljust(first[1]), *(cell.rjust(width) for cell, width in others)]
        return f"| {' | '.join(parts)} |"

    rules = ["-" * widths[0], *("-" * (width - 1) + ":" for width in widths[1:])]
    return [line(heads), f"| {' | '.join(rules)} |", *(line(row) for row in rows)]


def number(value: float | None, digits: int = 1) -> str:
    """Write a number; a dash for what is not known."""
    return "–" if value is None else f"{value:,.{digits}f}"


def ratio(over: float | None, under: float | None) -> str:
    """Write how many times one is the other."""
    if over is None or not under:
        return "–"
    return f"{over / under:.1f}×" if over / under < 10 else f"{over / under:.0f}×"
