"""Make the small night that is kept with the project: ``python -m tests.support.make_sample``."""

import argparse
import shutil
from pathlib import Path

import numpy as np

from tests.support.simulator.factories import plan_sample_night
from tests.support.simulator.night import simulate_night
from tests.support.simulator.truth import NightTruth

SEED = 20311114
FOLDER = Path(__file__).resolve().parents[2] / "sample_fits"

_README = """\
# A small night to try

These frames are simulated. The target, the telescope, the camera and the place
are invented; no real sky is shown and no real device took them. They were made by
`python -m tests.support.make_sample`, always the same from the same seed.

One night on the "Wicker Nebula", 360 × 272 pixels a frame:

| folder | frames |
|---|---|
| `lights/L` | 10 subs of 120 s |
| `lights/Ha` | 9 subs of 120 s |
| `lights/OIII` | 9 subs of 120 s, whose headers another capture program wrote, in another style |
| `calibration/bias` | 6 |
| `calibration/darks` | 6 of 120 s at −10 °C, as the lights |
| `calibration/flats` | 5 of each filter, in evening twilight |

The subs are dithered, and a meridian flip comes halfway. The camera has hot and
low pixels, the optics vignetting and dust, and cosmic rays hit every sub.

Four subs have a fault:

| sub | fault |
|---|---|
| `Wicker_Nebula_L_003` | a satellite crosses the frame; the rest of the sub is good |
| `Wicker_Nebula_L_008` | a cloud lets through a third of the light |
| `Wicker_Nebula_Ha_004` | the mount drifts: trailed stars |
| `Wicker_Nebula_OIII_007` | out of focus |
"""


def make_sample(folder: Path) -> NightTruth:
    """Write the sample night and its README.md into a folder; overwrite nothing.

    Parameters
    ----------
    folder : Path
        Where to write; made if missing.

    Returns
    -------
    NightTruth
        What is true of the sample.
    """
    truth = simulate_night(folder, rng=np.random.default_rng(SEED), night=plan_sample_night())
    (folder / "README.md").write_text(_README, encoding="utf-8", newline="\n")
    return truth


def main() -> None:
    """Make the sample in the project's folder, or in the one given."""
    parser = argparse.ArgumentParser(description="Make the simulated sample night.")
    parser.add_argument("folder", nargs="?", type=Path, default=FOLDER)
    parser.add_argument("--replace", action="store_true", help="remove an earlier sample first")
    options = parser.parse_args()
    if options.replace:
        for part in ("lights", "calibration"):
            if (options.folder / part).exists():
                shutil.rmtree(options.folder / part)
    truth = make_sample(options.folder)
    megabytes = sum(frame.path.stat().st_size for frame in truth.frames) / 1e6
    print(f"{len(truth.frames)} frames, {megabytes:.1f} MB, in {options.folder}")


if __name__ == "__main__":
    main()
