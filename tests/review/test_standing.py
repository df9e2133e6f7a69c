"""A value's place among others."""

from stackbench.review.standing import Standing, standing


def test_the_lowest_is_the_first_and_equals_share_a_place():
    values = [1.0, 2.0, 2.0, 5.0, 9.0]
    assert standing(1.0, values) == Standing(rank=1, count=5, below=0.0)
    assert standing(2.0, values) == Standing(rank=2, count=5, below=0.25)
    assert standing(9.0, values) == Standing(rank=5, count=5, below=1.0)


def test_a_value_alone_has_no_place():
    assert standing(3.0, [3.0]) is None
