"""A short run of `python3 -m tests.fuzz`; the long one is run by command."""

from __future__ import annotations

import pytest

from tests.fuzz.inputs import FORMATS
from tests.fuzz.run import fuzz


@pytest.mark.slow
def test_damaged_inputs_are_read_or_refused():
    result = fuzz(inputs=1200, seed=20260101)
    assert result["failures"] == []
    assert result["inputs"] == 1200
    assert result["crashes"] == result["hangs"] == result["over_memory"] == 0
    # Both outcomes occur for every format, so that neither the damage nor the readers have gone blind.
    for kind in set(FORMATS):
        assert result["by_format"][kind]["refused"] > 0, kind
        assert result["by_format"][kind]["accepted"] > 0, kind
