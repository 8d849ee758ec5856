"""What several tests share."""

from __future__ import annotations

import pytest
from hypothesis import settings
from result_bench import MadeResult, make_result

# The same examples in every run: a failure found once is found again by everybody.
settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
settings.load_profile("fixed")


@pytest.fixture(scope="session")
def made_result() -> MadeResult:
    """A result over thirty minutes at 10 Hz."""
    return make_result()
