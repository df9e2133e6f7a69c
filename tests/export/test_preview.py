"""Small pictures of channels."""

import base64
import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray
from PIL import Image

from stackbench.export.preview import averaged, embedded, write_preview


@settings(deadline=None)
@given(
    image=hnp.arrays(
        np.float32,
        hnp.array_shapes(min_dims=2, max_dims=2, max_side=12),
        elements=st.one_of(st.just(np.nan), st.floats(-1000, 1000, width=32)),
    ),
    factor=st.integers(1, 5),
)
def test_blocks_are_averaged_without_the_undefined(image: NDArray[np.float32], factor: int) -> None:
    small = averaged(image, factor=factor)
    ny, nx = image.shape
    assert small.shape == (-(-ny // factor), -(-nx // factor))
    for y, x in np.ndindex(small.shape):
        block = image[y * factor : (y + 1) * factor, x * factor : (x + 1) * factor]
        defined = block[np.isfinite(block)].astype(float)
        expected = defined.mean() if defined.size else np.nan
        np.testing.assert_allclose(small[y, x], expected, rtol=1e-5, atol=1e-4)


def test_many_bands_are_averaged_like_one() -> None:
    image = np.random.default_rng(9).normal(size=(333, 50)).astype(np.float32)
    expected = image[:330].reshape(110, 3, 50)[:, :, :48].reshape(110, 3, 16, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(averaged(image, factor=3)[:110, :16], expected, atol=1e-6)
    assert averaged(image, factor=3).shape == (111, 17)


@pytest.mark.parametrize(
    ("shape", "size"), [((50, 80), (80, 50)), ((1000, 5000), (1667, 334)), ((4097, 10), (4, 1366))]
)
def test_the_picture_is_small_grey_and_upright(
    tmp_path: Path, shape: tuple[int, int], size: tuple[int, int]
) -> None:
    image = np.random.default_rng(10).normal(100, 2, shape).astype(np.float32)
    image[: shape[0] // 2] += 40  # the lower half, as FITS shows it
    write_preview(tmp_path / "a.png", image)
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.mode == "L"
        assert picture.size == size
        pixels = np.asarray(picture, dtype=float)
    assert pixels[: len(pixels) // 2 - 1].mean() < pixels[len(pixels) // 2 + 1 :].mean()


def test_an_undefined_image_gives_a_black_picture(tmp_path: Path) -> None:
    write_preview(tmp_path / "a.png", np.full((20, 30), np.nan, dtype=np.float32))
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.getextrema() == (0, 0)


def test_a_preview_is_embedded_smaller(tmp_path: Path) -> None:
    write_preview(tmp_path / "a.png", np.eye(700, 1000, dtype=np.float32))
    address = embedded(tmp_path / "a.png", widest=300)
    assert address is not None
    kind, data = address.split(",")
    assert kind == "data:image/png;base64"
    with Image.open(io.BytesIO(base64.b64decode(data))) as picture:
        assert picture.size == (250, 175)
    assert embedded(tmp_path / "b.png") is None
