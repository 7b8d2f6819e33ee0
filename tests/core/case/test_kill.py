"""A short run of the kill test; the long one is ``python3 -m tests.kill``."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

if not hasattr(os, "fork"):
    pytest.skip("this system cannot fork", allow_module_level=True)

from tests.kill.killing import run


@pytest.mark.filterwarnings("ignore:.*multi-threaded, use of fork:DeprecationWarning")
def test_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    result = run(16, seed=7, place=tmp_path)
    assert result["kills"] == 16
    assert result["acknowledged"] > 0
    assert (result["acknowledged_lost"], result["broken"], result["orphans_left"]) == (0, 0, 0)
