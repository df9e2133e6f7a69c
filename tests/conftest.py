"""What holds for all tests: nothing of the person's own is read or written."""

import pytest


@pytest.fixture(autouse=True, scope="session")
def _nothing_of_the_persons_own(tmp_path_factory):
    """Fixtures that live longer than a test come before its own library and history."""
    with pytest.MonkeyPatch.context() as patch:
        _place_in(tmp_path_factory.mktemp("shared"), patch)
        yield


@pytest.fixture(autouse=True)
def _library_and_history_of_its_own(tmp_path_factory, monkeypatch):
    _place_in(tmp_path_factory.mktemp("own"), monkeypatch)


def _place_in(folder, patch):
    patch.setenv("STACKBENCH_LIBRARY", str(folder / "masters"))
    patch.setenv("STACKBENCH_HISTORY", str(folder / "history.sqlite"))
