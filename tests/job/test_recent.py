"""The last few things that were made are kept, and no more."""

from stackbench.job.recent import Recent


def test_what_was_used_last_is_kept():
    made = []

    def make(name):
        def _make():
            made.append(name)
            return name.upper()

        return _make

    recent = Recent(2)
    for name in ("a", "b", "a", "c", "a", "b"):
        assert recent.get(name, make(name)) == name.upper()
    assert made == ["a", "b", "c", "b"]
    recent.clear()
    recent.get("a", make("a"))
    assert made[-1] == "a"
