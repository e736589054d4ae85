"""Greedy choice by determinant, against trying every choice."""

from itertools import combinations

import numpy as np

from rigcheck.geometry.telling import most_telling


def information_of(rng, count, unknowns):
    rows = rng.normal(size=(count, 3, unknowns))
    return np.einsum("vri,vrj->vij", rows, rows)


def test_all_are_taken_where_there_are_no_more():
    assert most_telling(information_of(np.random.default_rng([61, 1]), 4, 3), 6, trace=1e-6) == [0, 1, 2, 3]


def test_near_the_best_of_all_choices():
    """Greedy need not find the best: 1 - 1/e of its gain is the bound (Nemhauser et al. 1978, from memory)."""
    information = information_of(np.random.default_rng([61, 2]), 9, 5)
    size = 1 / np.sqrt(np.diagonal(information.sum(0)))
    scaled = information * size[:, None] * size

    def gain(picks):
        return np.linalg.slogdet(np.eye(5) * 1e-6 + scaled[list(picks)].sum(0))[1]

    nothing = 5 * np.log(1e-6)
    best = max(map(gain, combinations(range(9), 4)))
    assert gain(most_telling(information, 4, trace=1e-6)) - nothing >= (1 - np.exp(-1)) * (best - nothing)


def test_a_view_of_something_new_is_taken_before_more_of_the_same():
    same, new = np.diag([1.0, 1.0, 0.0]), np.diag([0.0, 0.0, 0.01])
    assert 3 in most_telling(np.stack([same, same, same, new]), 2, trace=1e-6)
