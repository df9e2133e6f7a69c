"""Kernels: NaN keeps its meaning, and what is compiled stays on disk."""

import subprocess
import sys

import numpy as np

from stackbench.frames.compiled import compiled, compiled_fast, inlined, inner, inner_fast


@compiled_fast
def _share_undefined(values):
    undefined = 0
    for i in range(values.size):
        if np.isnan(values[i]):
            undefined += 1
    return undefined / values.size


@compiled
def _sum_in_order(values):
    total = np.float32(0)
    for i in range(values.size):
        total += values[i]
    return total


@inner
def _is_undefined(value):
    return np.isnan(value)


@inner_fast
def _is_undefined_fast(value):
    return np.isnan(value)


@inlined
def _is_undefined_inlined(value):
    return np.isnan(value)


@compiled
def _count_undefined(values):
    count = 0
    for i in range(values.size):
        value = values[i]
        if _is_undefined(value) and _is_undefined_fast(value) and _is_undefined_inlined(value):
            count += 1
    return count


def test_kernels_call_inner_kernels():
    assert _count_undefined(np.array([1.0, np.nan, 2.0, np.nan], np.float32)) == 2


def test_fast_kernels_still_know_nan():
    assert _share_undefined(np.array([1.0, np.nan, 2.0, np.nan], np.float32)) == 0.5


def test_plain_kernels_sum_in_the_order_written():
    values = np.array([1e8, 1.0, -1e8, 1.0], np.float32)
    in_order = np.float32(0)
    for value in values:
        in_order += value
    assert _sum_in_order(values) == in_order


def test_what_was_compiled_is_found_on_disk(tmp_path):
    (tmp_path / "kernelmodule.py").write_text(
        "from stackbench.frames.compiled import compiled, is_on_disk\n"
        "@compiled\n"
        "def double(x):\n"
        "    return 2 * x\n"
        "print(is_on_disk(double), double(2), is_on_disk(double))\n",
        encoding="utf-8",
    )
    code = f"import sys; sys.path.insert(0, {str(tmp_path)!r}); import kernelmodule"
    runs = [
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        for _ in range(2)
    ]
    assert [run.stdout.split() for run in runs] == [["False", "4", "True"], ["True", "4", "True"]]
