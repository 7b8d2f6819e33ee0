"""Finds the open data that lies beside the checkout, in `../shared/data`."""

from __future__ import annotations

from pathlib import Path

import pytest

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"


def shared_data(*parts: str) -> Path:
    """Return a file or folder of the shared data; skip the running test, or module, where it is missing."""
    place = DATA.joinpath(*parts)
    if not place.exists():
        pytest.skip(f"the shared data {'/'.join(parts)} is not beside this checkout", allow_module_level=True)
    return place
