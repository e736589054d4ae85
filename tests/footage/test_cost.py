"""What reading costs: pictures decoded, and memory that stays flat however long the clip."""

import subprocess
import sys
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigcheck.footage.seeking import plan_runs
from rigcheck.footage.timing import count_table, timed_table

_MEMORY = """
import resource, sys
from rigcheck.footage import open_footage, pair_clips

one, two = (open_footage(path, camera=name) for path, name in zip(sys.argv[1:], "ab"))
pairing = pair_clips(one, two)
highest = []
for k, pair in enumerate(pairing.pairs()):
    if k in (100, pairing.n_pairs - 1):
        highest.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
print(*highest)
"""


def _table(n, keys):
    flags = np.isin(np.arange(n), keys)
    return timed_table(np.arange(n) * 512, flags, tick_s=Fraction(1, 15360), stated=[None])


def _cost(table, wanted):
    """Pictures decoded by the plan: all from the start of a run, or only those wanted where it is sparse."""
    total = 0
    for run, following in pairwise([*plan_runs(table, wanted), None]):
        assert following is None or following.start > run.wanted[-1]
        assert run.start == 0 or table.keys[run.start]
        assert run.start <= run.wanted[0]
        total += len(run.wanted) if run.sparse else int(run.wanted[-1]) - run.start + 1
    return total


@given(data=st.data())
def test_a_plan_reaches_every_picture_and_never_costs_more_than_decoding_it_all(data):
    n = data.draw(st.integers(1, 400))
    keys = sorted({0, *data.draw(st.lists(st.integers(0, n - 1), max_size=20))})
    wanted = np.array(sorted(data.draw(st.sets(st.integers(0, n - 1), min_size=1, max_size=30))))
    table = _table(n, keys)
    runs = plan_runs(table, wanted)
    np.testing.assert_array_equal(np.concatenate([run.wanted for run in runs]), wanted)
    assert _cost(table, wanted) <= wanted[-1] + 1


def test_every_picture_is_one_run_without_a_seek():
    table = _table(3600, range(0, 3600, 120))
    (run,) = plan_runs(table, np.arange(3600))
    assert (run.start, run.sparse) == (0, False)


def test_key_pictures_cost_only_themselves():
    table = _table(3600, range(0, 3600, 120))
    assert _cost(table, np.arange(0, 3600, 120)) == 30


def test_codecs_without_prediction_cost_only_what_is_wanted():
    table = _table(3600, range(3600))
    assert _cost(table, np.arange(7, 3600, 60)) == 60


def test_a_seek_is_taken_only_where_it_saves_decoding():
    table = _table(3600, range(0, 3600, 120))
    # The group that starts at 120 is reached from 115 by decoding on, the one that starts at 3000 by a seek.
    assert [run.start for run in plan_runs(table, np.array([5, 115, 125]))] == [0]
    assert [run.start for run in plan_runs(table, np.array([5, 115, 3003]))] == [0, 3000]
    assert [run.start for run in plan_runs(table, np.array([3003, 3004]))] == [3000]


def test_a_key_picture_is_its_own_start():
    table = _table(3600, range(0, 3600, 120))
    assert [run.start for run in plan_runs(table, np.array([3000, 3001]))] == [3000]


def test_pictures_without_times_are_never_sought():
    table = count_table(500, np.arange(500) % 10 == 0, rate=None)
    (run,) = plan_runs(table, np.array([400, 450]))
    assert (run.start, run.sparse) == (0, False)


@pytest.mark.skipif(sys.platform != "linux", reason="ru_maxrss counts in kilobytes only on Linux")
def test_memory_stays_flat(clip_file):
    """Keeping 400 more pairs of 307 kB pictures would take 246 MB; a few wait in queues and decoders."""
    paths = [
        clip_file(
            f"{name}.avi",
            codec="mjpeg",
            pixel_format="yuvj420p",
            size=(640, 480),
            numbers=[(k + shift) % 256 for k in range(500)],
        )
        for name, shift in (("a", 0), ("b", 7))
    ]
    done = subprocess.run(
        [sys.executable, "-c", _MEMORY, *map(str, paths)], capture_output=True, text=True, check=True
    )
    after_100_kb, after_500_kb = map(int, done.stdout.split())
    assert after_500_kb - after_100_kb < 20_000  # kB: 8 % of what keeping the pictures would take
    assert done.stderr == ""
