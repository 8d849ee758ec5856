"""What several tests share."""

from __future__ import annotations

import pytest
from result_bench import MadeResult, make_result


@pytest.fixture(scope="session")
def made_result() -> MadeResult:
    """A result over thirty minutes at 10 Hz."""
    return make_result()
