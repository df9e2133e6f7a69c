"""What a master dark gathered beyond its bias: its rate, and how it lies over the frame."""

from dataclasses import dataclass

from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.calibration.darkcurrent import DarkRate
from stackbench.calibration.darkshape import DarkShape
from stackbench.job.bench import Bench
from stackbench.job.keys import key_of
from stackbench.job.pixels import PixelDesk
from stackbench.job.shelf import FinishedMaster


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkSignal:
    """The signal of a master dark; `rate` is in ADU/s, None where it cannot be told."""

    rate: DarkRate | None
    shape: DarkShape | None


_SIGNAL: TypeAdapter[DarkSignal] = TypeAdapter(DarkSignal)


def dark_signal(
    bench: Bench, desk: PixelDesk, dark: FinishedMaster, bias: FinishedMaster
) -> DarkSignal:
    """Measure a master dark without its bias, or recall what was measured before.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    desk : PixelDesk
        Keeps the masters that were used last.
    dark, bias : FinishedMaster
        Masters of one camera setup.

    Returns
    -------
    DarkSignal
        Its rate and shape.
    """
    key = key_of(__version__, dark.key, bias.key)
    known = bench.store.recall("dark signal", key)
    if known is not None:
        return _SIGNAL.validate_python(known[0])
    from stackbench.calibration.darkcurrent import dark_map, dark_rate
    from stackbench.calibration.darkshape import dark_shape
    from stackbench.job.mastermaking import load_master

    signal = dark_map(load_master(desk, dark).data, load_master(desk, bias).data)
    exposure_s = dark.facts.exposure_s
    found = DarkSignal(
        rate=dark_rate(signal, exposure_s=exposure_s, temperature_c=dark.facts.temperature_c)
        if exposure_s
        else None,
        shape=dark_shape(signal),
    )
    bench.store.keep("dark signal", key, _SIGNAL.dump_python(found, mode="json"))
    return found
