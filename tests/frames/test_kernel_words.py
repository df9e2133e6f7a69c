"""What kernels had better not say: numba compiles it anew for every way of saying it."""

import ast
from pathlib import Path

import pytest

import stackbench

PACKAGE = Path(stackbench.__file__).parent
KERNEL = {"inlined", "inner", "inner_fast", "compiled", "compiled_fast"}
# choices are in `frames.instructions`, working space comes from the caller
DEAR = {"min", "max", "int", "np.empty", "np.zeros", "np.ones", "np.full", "np.arange"}
# lists as many pixels as it finds
ALLOWED = {("bad_pixels", "np.empty")}


def _dear_calls(tree):
    """Find calls in kernels that cost much to compile, as (kernel, what it calls)."""
    return {
        (kernel.name, ast.unparse(call.func))
        for kernel in tree.body
        if isinstance(kernel, ast.FunctionDef)
        and any(isinstance(one, ast.Name) and one.id in KERNEL for one in kernel.decorator_list)
        for call in ast.walk(kernel)
        if isinstance(call, ast.Call) and ast.unparse(call.func) in DEAR
    }


def test_kernels_call_nothing_that_is_compiled_for_each_of_them():
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in PACKAGE.rglob("*.py")]
    assert set().union(*map(_dear_calls, trees)) == ALLOWED


@pytest.mark.parametrize("call", ["min(x, 1)", "np.zeros(x)", "[int(k) for k in x]"])
def test_the_look_finds_such_a_call(call):
    kernel = ast.parse(f"@compiled\ndef kernel(x):\n    return {call}\ndef other(x):\n    {call}")
    assert {name for name, _ in _dear_calls(kernel)} == {"kernel"}
