"""Download, once, the wheels from which some outside checks read cycles, logs and a ride.

Nothing is installed; see ``experiments/plants/archive.py``. Where it went is printed.
"""

from __future__ import annotations

import argparse

from plants import archive

if __name__ == "__main__":
    argparse.ArgumentParser(description=__doc__).parse_args()
    for requirement in (archive.CYCLES_AND_DYNO, archive.RIDE):
        print(archive.fetch(requirement))
