"""Rendered performers: errors and sigmas of what framing says. The large study is `tests/bench/bench_fitting.py`."""

from functools import lru_cache

import numpy as np
import pytest
from face_study import rows_of

from rigcheck.landmarks import FaceFinder

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("rendered-face")]


@lru_cache(maxsize=1)
def rows():
    finder = FaceFinder()
    return [
        row
        for case in range(12)
        for row in rows_of(case, size_px=(360, 480), cameras=(case % 2,), finder=finder)
    ]


def test_nostril_base_is_close_and_its_sigma_honest():
    """Median within 3.5 % of the eye distance; of 24 errors the RMS of error/sigma lies within 0.5 to 1.6."""
    off = [
        np.hypot(*(row.errors[f"nostril_offset_{axis}_px"] for axis in "xy")) / row.eyes_px for row in rows()
    ]
    assert len(off) >= 11
    assert np.median(off) < 0.035
    ratios = [
        row.errors[name] / row.sigmas[name]
        for row in rows()
        for name in ("nostril_offset_x_px", "nostril_offset_y_px")
    ]
    assert 0.5 < np.sqrt(np.mean(np.square(ratios))) < 1.6


def test_open_jaw_is_within_two_sigmas():
    """95 % of performers expected: of 12 at most 2 outside (2 % chance of 3 or more)."""
    outside = sum(
        abs(row.errors["jaw_open_margin_px"]) > 2 * row.sigmas["jaw_open_margin_px"] for row in rows()
    )
    assert outside <= 2
    assert (
        np.std([row.errors["jaw_open_margin_px"] / row.sigmas["jaw_open_margin_px"] for row in rows()]) > 0.3
    )


def test_roll_and_look_up():
    for name, most in (("roll_deg", 1.5), ("look_up_deg", 9.0)):
        errors = [row.errors[name] for row in rows()]
        assert np.sqrt(np.mean(np.square(errors))) < most  # deg: three times what the large study finds
        assert np.mean([abs(row.errors[name]) < 2 * row.sigmas[name] for row in rows()]) > 0.8
