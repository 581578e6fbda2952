"""Memory that arrays free stays with the process, as the system's count of page faults tells: getrusage(2)."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

ARRAYS = """
import resource, sys
import numpy as np
from pipeline.interpreter import hold_freed_memory
if sys.argv[1] == "held":
    hold_freed_memory()
def work():
    keep = [np.ones(100_000 + 1_000 * k) for k in range(12)]
    return sum(float(x[-1]) for x in keep)
work()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(50):
    work()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="the C library has no mallopt")
def test_arrays_made_over_and_over_cost_no_page_faults():
    faults = {
        how: int(subprocess.run([sys.executable, "-c", ARRAYS, how], capture_output=True, text=True, check=True).stdout)
        for how in ("held", "as it is")
    }
    pages = 50 * 12 * 100_000 * 8 // 4096
    assert faults["held"] < 0.02 * pages
    assert faults["as it is"] > 5 * faults["held"]


GIVEN_BACK = """
import numpy as np, psutil
from pipeline.interpreter import give_back_freed_memory, hold_freed_memory
hold_freed_memory()
size = lambda: psutil.Process().memory_info().rss / 1e6
arrays = [np.ones(500_000) for _ in range(100)]
kept, arrays = arrays[::10], None
held = size()
give_back_freed_memory()
print(held - size())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="the C library has no malloc_trim")
def test_freed_memory_goes_back_to_the_system_when_asked_for():
    told = subprocess.run([sys.executable, "-c", GIVEN_BACK], capture_output=True, text=True, check=True).stdout
    assert float(told) > 0.7 * 90 * 4  # MB: of a hundred arrays of 4 MB every tenth is kept
