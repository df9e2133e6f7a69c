"""How the errors of masters get into the lights that they calibrate."""

from collections.abc import Mapping, Sequence

from stackbench.calibration.records import CalibrationSet, MasterFacts, Serving


def influences(
    serving: Serving,
    masters: Mapping[CalibrationSet, MasterFacts],
    *,
    signal_adu: float,
    flat_servings: Sequence[Serving] = (),
) -> dict[CalibrationSet, float]:
    """Tell by how much a calibrated light changes with an error of each master.

    Parameters
    ----------
    serving : Serving
        What serves the light.
    masters : mapping of CalibrationSet to MasterFacts
        The masters that could be made; others were not applied.
    signal_adu : float
        Level of the calibrated light, ADU: an error of the flat counts with it.
    flat_servings : sequence of Serving
        What served each frame of the flat; empty for a flat kept from an
        earlier night.

    Returns
    -------
    dict of CalibrationSet to float
        ADU of the calibrated light for one unit of the master. Times the
        master's noise it is the noise that the master adds; the masters' parts
        add in quadrature.

    Notes
    -----
    With the level L = b + s (d − b) of bias b and dark d, calibrated is
    (raw − L) / f. So a dark scaled by s counts with −s, and the bias, which is
    inside it too, with −(1 − s). An error of the flat's own counts with −S, S
    being the signal. An error of the level under the flats, whose signal is F,
    raises the light by S / F of it: where flat and light share a bias, that
    takes from the error that is subtracted from the light.
    """
    found = {one: -share for one, share in _level(serving, masters).items()}
    flat = serving.flat
    if flat is None or flat not in masters:
        return found
    found[flat] = -signal_adu
    for under in flat_servings:
        part = signal_adu / masters[flat].level_adu / len(flat_servings)
        for one, share in _level(under, masters).items():
            found[one] = found.get(one, 0.0) + part * share
    return found


def _level(
    serving: Serving, masters: Mapping[CalibrationSet, MasterFacts]
) -> dict[CalibrationSet, float]:
    """Tell which share of each master is in the level that is subtracted."""
    bias, dark = (one if one in masters else None for one in (serving.bias, serving.dark))
    if dark is None:
        return {} if bias is None else {bias: 1.0}
    scale = serving.dark_scale
    if scale is None or bias is None:
        return {dark: 1.0}
    return {bias: 1 - scale, dark: scale}
