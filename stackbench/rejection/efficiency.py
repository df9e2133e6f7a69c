"""How much more a median scatters than a mean."""

import math


def median_variance(count: int) -> float:
    """Return the variance of a median of normal values relative to their mean's.

    Parameters
    ----------
    count : int
        How many values.

    Returns
    -------
    float
        At least 1.

    Notes
    -----
    Asymptotically π/2; at finite depth π/2 × n/(n + 0.5) for odd and
    π/2 × n/(n + 1.35) for even n, within 2 % of the exact values (order
    statistics; Kendall & Stuart, The Advanced Theory of Statistics, from memory).
    """
    if count <= 2:
        return 1.0
    return math.pi / 2 * count / (count + (0.5 if count % 2 else 1.35))
