"""The picture of a photon transfer."""

from xml.etree import ElementTree as ET

import pytest

from stackbench.calibration.phototransfer import TransferPoint, transfer_line
from stackbench.export.transferplot import transfer_svg

_SVG = "{http://www.w3.org/2000/svg}"


def test_points_lie_on_the_curve_and_rise_with_the_root_of_the_signal():
    points = [
        TransferPoint(signal_adu=s, variance_adu2=16 + 1.25 * s, error_adu2=1 + s / 1000)
        for s in (0.0, 10000.0, 40000.0)
    ]
    text = transfer_svg(points, transfer_line(points), title="Moth 26 & co", caption="1 < 2")
    root = ET.fromstring(text)  # noqa: S314 - our own
    assert root.find(f"{_SVG}title").text == "Moth 26 & co"
    first, second = root.findall(f"{_SVG}circle")
    (curve,) = root.findall(f"{_SVG}polyline")
    places = [tuple(map(float, one.split(","))) for one in curve.get("points").split()]
    for circle in (first, second):
        x, y = float(circle.get("cx")), float(circle.get("cy"))
        near = min(places, key=lambda place: abs(place[0] - x))
        assert near[1] == pytest.approx(y, abs=6)
    # four times the light is twice the noise; both axes are logarithmic
    assert float(second.get("cy")) < float(first.get("cy"))
    assert "10000 ADU: noise 111.87" in first.find(f"{_SVG}title").text
