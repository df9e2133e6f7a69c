"""Whether stars could agree on a placement by chance."""

import math

from scipy.special import betainc


def expected_false(*, matched: int, tried: int, listed: int, hit_chance: float, free: int) -> float:
    """Tell how many placements as good as this one chance alone would give.

    Parameters
    ----------
    matched : int
        Stars of the sub that found a star of the reference.
    tried : int
        Stars of the sub that had the chance to.
    listed : int
        Stars of the reference.
    hit_chance : float
        Probability that a star placed at random finds one.
    free : int
        Pairs of stars that fix a placement and so match by construction: two
        for a similarity, three for an affine transform.

    Returns
    -------
    float
        Number of all placements that `free` pairs can fix, times the
        probability that of the other stars as many match by chance.

    Notes
    -----
    Every placement that matches m stars is, to within the tolerance, one of
    those fixed by `free` of its pairs, of which there are no more than
    2 (tried × listed)^free / free! (2 for the mirror image). Summing over all
    of them (union bound) makes the result independent of how the placement
    was found, and of how many were looked at.
    """
    hits, trials = matched - free, tried - free
    if hits <= 0:
        return float("inf")
    placements = 2 * float(tried * listed) ** free / math.factorial(free)
    # P(X ≥ k) of a binomial is the regularised incomplete beta function.
    return float(placements * betainc(hits, trials - hits + 1, hit_chance))
