"""The bound: read and decode a night's files, and average those of each folder.

`python -m tests.bench.bound TIMES_FILE NIGHT OUT` does nothing else, in bands
and in as many threads as there are processors. No job that looks at every pixel
once can be much faster.
"""

import os
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.bench.stages import StageClock

_BLOCK = 2880
_CARD = 80
_BAND_ROWS = 64


def data_of(path: Path) -> tuple[int, tuple[int, int]]:
    """Find where the 16-bit pixels of a plain frame begin, and their (ny, nx)."""
    offset, values = 0, {}
    with path.open("rb") as file:
        while "END" not in values:
            block = file.read(_BLOCK).decode("ascii")
            offset += _BLOCK
            for start in range(0, _BLOCK, _CARD):
                card = block[start : start + _CARD]
                values[card[:8].strip()] = card[10:].partition("/")[0].strip()
    if values["BITPIX"] != "16" or values["NAXIS"] != "2":
        raise ValueError(f"{path}: not a plain frame of 16-bit pixels")
    return offset, (int(values["NAXIS2"]), int(values["NAXIS1"]))


def mean_of(paths: Sequence[Path], pool: ThreadPoolExecutor) -> NDArray[np.float32]:
    """Average the frames of one folder."""
    offset, (ny, nx) = data_of(paths[0])
    mean = np.empty((ny, nx), dtype=np.float32)

    def band(start: int) -> None:
        stop = min(start + _BAND_ROWS, ny)
        # whole numbers, exact in float32 up to 500 frames
        total = np.full((stop - start) * nx, 32768 * len(paths), dtype=np.float32)
        for path in paths:
            raw = np.fromfile(path, "i2", total.size, offset=offset + 2 * start * nx)
            if sys.byteorder == "little":
                raw.byteswap(inplace=True)
            total += raw
        total /= np.float32(len(paths))
        mean[start:stop] = total.reshape(-1, nx)

    list(pool.map(band, range(0, ny, _BAND_ROWS)))
    return mean


def main() -> None:
    """Average every folder of a night and write the means as bare arrays."""
    times, night, out = map(Path, sys.argv[1:])
    out.mkdir(parents=True, exist_ok=True)
    folders: dict[Path, list[Path]] = {}
    for path in sorted(night.rglob("*.fits")):
        folders.setdefault(path.parent, []).append(path)
    clock = StageClock()
    with clock.stage("read, decode, average"), ThreadPoolExecutor(os.cpu_count()) as pool:
        for folder, paths in folders.items():
            name = "_".join(folder.relative_to(night).parts)
            np.save(out / f"{name}.npy", mean_of(paths, pool))
    clock.write(times)


if __name__ == "__main__":
    main()
