"""Speed and honesty of rejection along the depth; run by hand.

    python -m tests.bench.rejection

Throughput in Mpx·frames/s of processor time (one thread), and of wall time for
two threads over halves of the cube; the share of good values given up, in units
of the share that κ = 3 stands for; the share of outliers missed.
"""

import sys
import threading
import time

import numpy as np
from scipy.special import ndtr

from stackbench.rejection.depth import Combined, combine_depth, empty_combined
from stackbench.rejection.methods import Method, Rejection

DEPTHS = (5, 12, 16, 32, 64, 200)
METHODS = tuple(method for method in Method if method is not Method.AUTO)
VALUES = 4_000_000
ROUNDS = 4


def noisy_cube(rng, depth, values=VALUES, gaps=0.0):
    """Gaussian noise, 2 % of outliers, and a share of missing values."""
    cube = rng.standard_normal((depth, values // depth), dtype=np.float32)
    cube *= 10
    cube += 1000
    cube[rng.random(cube.shape, dtype=np.float32) < 0.02 / depth] += 900
    if gaps:
        cube[rng.random(cube.shape, dtype=np.float32) < gaps] = np.nan
    return cube


def one_thread(cube, method, *, weights=None, noise=None):
    """Mpx·frames per second of processor time, the best of a few rounds."""
    room = empty_combined(cube.shape[1])
    options = {"rejection": Rejection(method=method), "weights": weights, "noise": noise}
    best = np.inf
    for _ in range(ROUNDS + 1):  # the first compiles, and touches the memory
        begun = time.thread_time()
        combine_depth(cube, into=room, **options)
        best = min(best, time.thread_time() - begun)
    return cube.size / best / 1e6


def two_threads(cube, method):
    """Mpx·frames per second of wall time, two threads on a half each."""
    middle = cube.shape[1] // 2
    halves = [np.ascontiguousarray(cube[:, :middle]), np.ascontiguousarray(cube[:, middle:])]
    rooms: list[Combined] = [empty_combined(half.shape[1]) for half in halves]
    best = np.inf
    for _ in range(ROUNDS):
        threads = [
            threading.Thread(
                target=combine_depth,
                args=(half,),
                kwargs={"rejection": Rejection(method=method), "into": room},
            )
            for half, room in zip(halves, rooms, strict=True)
        ]
        begun = time.perf_counter()
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        best = min(best, time.perf_counter() - begun)
    return cube.size / best / 1e6


def print_speed(rng):
    print("Mpx·frames/s, one thread (processor time)")
    print("depth  " + "".join(f"{method:>13}" for method in METHODS))
    for depth in DEPTHS:
        cube = noisy_cube(rng, depth)
        print(f"{depth:5d}  " + "".join(f"{one_thread(cube, m):13.0f}" for m in METHODS))
    print("\nκσ: gap-free, 1 % missing, weights, equal noise, unequal noise; two threads (wall)")
    for depth in DEPTHS:
        cube = noisy_cube(rng, depth)
        ramp = np.linspace(1, 2, depth)
        sigma_clip = Method.SIGMA_CLIP
        figures = (
            one_thread(cube, sigma_clip),
            one_thread(noisy_cube(rng, depth, gaps=0.01), sigma_clip),
            one_thread(cube, sigma_clip, weights=ramp),
            one_thread(cube, sigma_clip, noise=np.full(depth, 10.0)),
            one_thread(cube, sigma_clip, noise=10 * ramp),
            two_threads(cube, sigma_clip),
        )
        print(f"{depth:5d}  " + "".join(f"{figure:10.0f}" for figure in figures))


def print_honesty(rng):
    print("\ngood values given up / erfc(3/√2); in brackets: 15 σ outlier missed")
    print("depth   κσ              κσ, noise known  winsorised      winsorised, noise known")
    for depth in (4, 5, 6, 7, 8, 10, 12, 16, 32, 64, 200):
        cube = rng.standard_normal((depth, 2_000_000 // depth), dtype=np.float32)
        hit = cube.copy()
        hit[0] += 15
        texts = []
        for method in (Method.SIGMA_CLIP, Method.WINSORISED):
            for noise in (None, np.ones(depth)):
                rejection = Rejection(method=method)
                clean = combine_depth(cube, rejection=rejection, noise=noise)
                found = combine_depth(hit, rejection=rejection, noise=noise)
                share = (1 - clean.kept.mean() / depth) / (2 * ndtr(-3.0))
                texts.append(f"{share:5.2f} ({(found.high == 0).mean():.4f})")
        print(f"{depth:5d}   " + "  ".join(texts))


def main() -> int:
    """Print all tables."""
    rng = np.random.default_rng(0)
    print_speed(rng)
    print_honesty(rng)
    return 0


if __name__ == "__main__":
    sys.exit(main())
