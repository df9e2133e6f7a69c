"""Where a stack's noise comes from, as the record holds it and in words."""

from collections.abc import Sequence
from dataclasses import dataclass

from stackbench.frames.words import percent

# Less is not worth an evening of darks, nor a line.
_WORTH_SAYING = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class NoisePartEntry:
    """One source of a stack's noise.

    `source` is "read noise" and "sky" (with what else is random in the subs
    themselves), "subs" where read noise is unknown, or "bias", "dark",
    "dark-flat" and "flat" for a master of `frames` frames. Its `noise_adu` adds
    to the others' in quadrature; `share` is its part of the stack's variance. `more`
    frames in the master would lower the stack's noise by the part `gain`.
    """

    source: str
    noise_adu: float
    share: float
    frames: int | None = None
    more: int | None = None
    gain: float | None = None


def noise_lines(parts: Sequence[NoisePartEntry], dithering_gain: float | None) -> tuple[str, ...]:
    """Say what of a stack's noise comes from its masters, and what would help.

    Parameters
    ----------
    parts : sequence of NoisePartEntry
        The sources; may be empty.
    dithering_gain : float or None
        Which part of the noise perfect dithering would take away.

    Returns
    -------
    tuple of str
        The sources in one line, and a line for each remedy worth more than 1 %.
    """
    if not parts:
        return ()
    shares = ", ".join(f"{_named(part)} {_percent(part.share)}" for part in parts)
    lines = [f"of the noise's square: {shares}"]
    lines += [
        f"{part.more} more {_plural(part.source)} would lower the noise by {percent(part.gain)} "
        f"({part.frames + part.more} instead of {part.frames})"
        for part in parts
        if part.frames and part.more and part.gain and part.gain > _WORTH_SAYING
    ]
    if dithering_gain is not None and dithering_gain > _WORTH_SAYING:
        lines.append(
            "the subs lie on the same places of the sensor, so that the masters' noise does not "
            "average down: pointing some pixels elsewhere between subs would lower the noise by "
            f"{percent(dithering_gain)}"
        )
    return tuple(lines)


def _named(part: NoisePartEntry) -> str:
    return part.source if part.frames is None else f"{part.source} (of {part.frames})"


def _plural(kind: str) -> str:
    return "bias frames" if kind == "bias" else f"{kind}s"


def _percent(share: float) -> str:
    if share < 0.0005:
        return "under 0.1 %"
    return f"{percent(share)}" if share >= 0.0995 else f"{percent(share, 1)}"
