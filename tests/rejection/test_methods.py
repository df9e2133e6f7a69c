import pytest

from stackbench.rejection.methods import Method, Rejection, choose


@pytest.mark.parametrize(
    ("depth", "method", "warned"),
    [
        (1, Method.NONE, True),
        (2, Method.NONE, True),
        (3, Method.MEDIAN, True),
        (4, Method.SIGMA_CLIP, True),
        (7, Method.SIGMA_CLIP, True),
        (8, Method.SIGMA_CLIP, False),
        (200, Method.SIGMA_CLIP, False),
    ],
)
def test_auto_goes_by_depth(depth, method, warned):
    choice = choose(Rejection(low=2.5, high=3.5), depth)
    assert choice.rejection.method is method
    assert (choice.rejection.low, choice.rejection.high) == (2.5, 3.5)
    assert bool(choice.warnings) is warned
    assert str(depth) in choice.reason


@pytest.mark.parametrize("depth", range(1, 9))
def test_warnings_are_written_in_words(depth):
    assert "_" not in "".join(choose(Rejection(), depth).warnings)


@pytest.mark.parametrize("method", [Method.SIGMA_CLIP, Method.WINSORISED])
def test_no_clip_below_four_frames(method):
    assert choose(Rejection(method=method), 2).rejection.method is Method.NONE
    three = choose(Rejection(method=method), 3)
    assert three.rejection.method is Method.MEDIAN
    assert "there are 3" in three.warnings[0]
    assert choose(Rejection(method=method), 4).rejection.method is method


def test_min_max_leaves_at_least_one_frame():
    asked = Rejection(method=Method.MIN_MAX, lowest=2, highest=2)
    assert choose(asked, 5).rejection == asked
    assert not choose(asked, 5).warnings
    fewer = choose(asked, 4)
    assert (fewer.rejection.lowest, fewer.rejection.highest) == (1, 1)
    assert "4 frames" in fewer.warnings[0]


@pytest.mark.parametrize("method", [Method.NONE, Method.MEDIAN])
def test_what_was_asked_for_is_done(method):
    choice = choose(Rejection(method=method), 2)
    assert choice.rejection.method is method
    assert not choice.warnings


@pytest.mark.parametrize(
    "wrong",
    [{"low": 0.5}, {"high": 11.0}, {"low": float("nan")}, {"iterations": 0}, {"lowest": -1}],
)
def test_senseless_rejections_are_refused(wrong):
    with pytest.raises(ValueError, match=r"must be|below 0"):
        Rejection(**wrong)


def test_depth_zero_is_refused():
    with pytest.raises(ValueError, match="at least 1"):
        choose(Rejection(), 0)
