"""The folder of machine code has another name when anything that kernels are made of changes."""

import ast
import shutil
from pathlib import Path

import pytest

import stackbench
from stackbench.frames.machinecode import kernel_sources

PACKAGE = Path(stackbench.__file__).parent


def _imported(source):
    """List the modules of the package that a module imports names from, as paths."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("stackbench."):
            yield PACKAGE.joinpath(*node.module.split(".")[1:]).with_suffix(".py")


def test_all_that_kernels_take_names_from_counts():
    sources = kernel_sources(PACKAGE)
    kernels = [path for path, source in sources.items() if b"\n@compiled" in source]
    assert len(kernels) > 10
    taken = {one for path in kernels for one in _imported(sources[path])}
    assert {path for path in taken if path.is_file()} <= set(sources)


@pytest.mark.parametrize(
    ("changed", "counts"),
    [("rejection/lanes.py", True), ("registration/lanczos.py", True), ("cli/running.py", False)],
)
def test_a_change_counts_where_kernels_are(tmp_path, changed, counts):
    package = tmp_path / "stackbench"
    shutil.copytree(PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    before = kernel_sources(package)
    path = package / changed
    path.write_text(path.read_text(encoding="utf-8") + "\nLATER = 1\n", encoding="utf-8")
    assert (kernel_sources(package) != before) == counts
