"""One rig and a short drive of known truth, shared by these tests."""

from estimation_bench import *  # noqa: F403
