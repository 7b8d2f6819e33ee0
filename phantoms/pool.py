"""Work on our own two threads; the kernels hold no GIL."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np

THREADS = 2
"""Threads of a pool."""


def in_slabs(work: Callable[[int, int], None], count: int, parts: int = 8) -> None:
    """Run ``work(first, last)`` over `count` items in slabs; the first failure is raised."""
    if count <= 0:
        return
    edges = np.linspace(0, count, parts + 1).astype(int)
    with ThreadPoolExecutor(THREADS) as pool:
        for future in [pool.submit(work, int(a), int(b)) for a, b in itertools.pairwise(edges) if b > a]:
            future.result()
