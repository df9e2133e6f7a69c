"""Time and memory against the number of lights, as a picture."""

from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from tests.bench.report import Curve

# Okabe & Ito, Color Universal Design; a mark of its own for each program besides.
_LOOKS = {
    "stackbench": ("#0072B2", "o", "-"),
    "libraries": ("#D55E00", "s", "--"),
    "bound": ("#595959", "^", ":"),
}


def draw_growth(path: Path, curves: Sequence[Curve], *, title: str) -> None:
    """Draw the curves and write them as PNG.

    Parameters
    ----------
    path : Path
        The file to make.
    curves : sequence of Curve
        One per program.
    title : str
        Stands above both panels.
    """
    with mpl.rc_context({"font.size": 10, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(9, 4.2), layout="constrained")
        time, memory = figure.subplots(1, 2)
        for curve in curves:
            colour, mark, line = _LOOKS[curve.program]
            look = {"color": colour, "marker": mark, "linestyle": line, "label": curve.program}
            time.plot(curve.lights, curve.seconds, **look)
            known = [
                (count, peak)
                for count, peak in zip(curve.lights, curve.peak_gib, strict=True)
                if peak is not None
            ]
            if known:
                memory.plot(*zip(*known, strict=True), **look)
        for axes, name in ((time, "time of the whole process, s"), (memory, "peak memory, GiB")):
            axes.set(xlabel="lights", ylabel=name)
            axes.set_yscale("log")
            axes.yaxis.set_major_formatter("{x:g}")
            axes.set_xticks(sorted({count for curve in curves for count in curve.lights}))
            axes.grid(visible=True, which="both", alpha=0.25)
        time.legend(frameon=False)
        figure.suptitle(title)
        figure.savefig(path, dpi=120)
