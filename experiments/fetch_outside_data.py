"""Download, once, the wheel from which some outside checks read cycles and chassis-dyno logs.

Nothing is installed; see ``experiments/plants/archive.py``. Where it went is printed.
"""

from __future__ import annotations

import argparse

from plants import archive

if __name__ == "__main__":
    argparse.ArgumentParser(description=__doc__).parse_args()
    print(archive.fetch())
