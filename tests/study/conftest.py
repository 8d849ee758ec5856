"""One rig and a few short drives, shared by these tests."""

from estimation_bench import *  # noqa: F403
