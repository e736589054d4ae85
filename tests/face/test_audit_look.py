"""What audit looks at besides the geometry."""

import numpy as np

from rigcheck.face.audit_look import _upper_of


def test_the_upper_quartile_of_what_is_known_is_numpys():
    rng = np.random.default_rng(99)
    for count in (1, 2, 3, 6):
        stack = rng.normal(size=(count, 5, 7))
        stack[rng.uniform(size=stack.shape) < 0.3] = np.nan
        known = 2 * np.isfinite(stack).sum(axis=0) > count
        wanted = np.full(known.shape, np.nan)
        wanted[known] = np.nanquantile(stack[:, known], 0.75, axis=0)
        np.testing.assert_allclose(_upper_of(stack), wanted, rtol=1e-12)  # the rounding of one sum
