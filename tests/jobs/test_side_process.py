"""Processes started beside this one: what they ask of the system."""

import platform
import subprocess
import sys

import pytest

# Ten pictures' worth of arrays, made and let go; pages that the system handed out for them.
FAULTS = """
import resource, sys
import numpy as np
from rigcheck.jobs.side_process import keep_freed_memory
if sys.argv[1] == "kept":
    keep_freed_memory()
def picture():
    for size in (1_500_000, 400_000, 900_000):
        np.ones(size, dtype=np.uint8)
    parts = [np.ones(400_000, dtype=np.uint8) for _ in range(20)]
picture()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(10):
    picture()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="asks the GNU C library")
def test_freed_memory_is_kept_where_it_is_asked_for():
    """A page is 4096 bytes: ten pictures of 10.8 MB are 26,000 of them, many asked for anew unless kept."""
    asked, kept = (
        int(
            subprocess.run(
                [sys.executable, "-c", FAULTS, how], capture_output=True, check=True, text=True
            ).stdout
        )
        for how in ("as it is", "kept")
    )
    assert kept < 200
    assert asked > 10 * kept
