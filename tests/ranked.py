"""Rankings for tests, each worked out once in a process."""

from functools import cache

import numpy as np
import shop
import zoo

from moldplan.choice import rank_splits
from moldplan.choice.model import Ranking
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.pattern.model import Pattern

SETTINGS = shop.shop_settings()


def bust() -> zoo.Mesh:
    """Return a figure of about a metre with a waist, leaning so that only left and right are alike."""
    profile = [(0, 0), (160, 0), (90, 120), (230, 400), (120, 640), (170, 700), (60, 900), (0, 900)]
    points, faces = zoo.revolve([(float(r), float(z)) for r, z in profile], 48)
    points = points * np.array([0.7, 1.0, 1.0])
    points[:, 1] += 0.0006 * points[:, 2] ** 1.8
    return points, faces


@cache
def bust_pattern() -> Pattern:
    return pattern_from_arrays(*bust(), up="+z", front="-y")


@cache
def bust_ranking() -> Ranking:
    return rank_splits(bust_pattern(), SETTINGS)
