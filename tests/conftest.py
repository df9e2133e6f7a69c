"""What holds for all tests: nothing of the person's own is read or written."""

import pytest


@pytest.fixture(autouse=True)
def _library_of_its_own(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("STACKBENCH_LIBRARY", str(tmp_path_factory.mktemp("library") / "masters"))
