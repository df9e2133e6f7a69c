"""Inner kernels are for kernels alone; inlined ones for a single place in one of them."""

import ast
from pathlib import Path

import pytest

import stackbench

PACKAGE = Path(stackbench.__file__).parent
INNER = {"inlined", "inner", "inner_fast"}
KERNEL = INNER | {"compiled", "compiled_fast"}


def _is_decorated(node, decorators):
    return isinstance(node, ast.FunctionDef) and any(
        isinstance(one, ast.Name) and one.id in decorators for one in node.decorator_list
    )


def _inner_kernels(trees):
    return {
        (module, node.name)
        for module, tree in trees.items()
        for node in tree.body
        if _is_decorated(node, INNER)
    }


def _names_outside_kernels(tree):
    """Yield names and attributes that are used, but for the insides of kernels."""
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.Name):
            yield None, node.id
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            yield node.value.id, node.attr
        waiting += [one for one in ast.iter_child_nodes(node) if not _is_decorated(one, KERNEL)]


def _misused(trees):
    """Find inner kernels that Python code names, as (module that does, kernel)."""
    inner = _inner_kernels(trees)
    found = set()
    for module, tree in trees.items():
        # what a name of this module means: a kernel, or a module
        meaning = {name: (home, name) for home, name in inner if home == module}
        modules = {}
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    meaning[alias.asname or alias.name] = (node.module, alias.name)
                    modules[alias.asname or alias.name] = f"{node.module}.{alias.name}"
        for home, name in _names_outside_kernels(tree):
            kernel = meaning.get(name) if home is None else (modules.get(home), name)
            if kernel in inner:
                found.add((module, kernel[1]))
    return found


def _places(trees):
    """Count the places where kernels that are to be inlined are called, by their names."""
    inlined = {
        node.name: 0
        for tree in trees.values()
        for node in tree.body
        if _is_decorated(node, {"inlined"})
    }
    for tree in trees.values():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                inlined |= {one: n + 1 for one, n in inlined.items() if one == node.func.id}
    return inlined


def _trees(folder, package):
    return {
        ".".join((package, *path.relative_to(folder).with_suffix("").parts)): ast.parse(
            path.read_text(encoding="utf-8")
        )
        for path in folder.rglob("*.py")
    }


def test_python_code_names_no_inner_kernel():
    tests = Path(__file__).parents[1]
    assert _misused(_trees(PACKAGE, "stackbench") | _trees(tests, "tests")) == set()


def test_inlined_kernels_are_called_in_one_place():
    places = _places(_trees(PACKAGE, "stackbench"))
    assert places
    assert set(places.values()) == {1}


@pytest.mark.parametrize(
    "use",
    [
        "from stackbench.a import core\ndef use():\n    core(1)",
        "from stackbench.a import core as c\nuse = [c]",
        "from stackbench import a\na.core(1)",
    ],
)
def test_the_look_finds_a_call_from_python(use):
    kernel = "@inner\ndef core(x):\n    return x\n@compiled\ndef outer(x):\n    return core(x)"
    trees = {"stackbench.a": ast.parse(kernel), "stackbench.b": ast.parse(use)}
    assert _misused(trees) == {("stackbench.b", "core")}
    assert _misused({"stackbench.a": trees["stackbench.a"]}) == set()
