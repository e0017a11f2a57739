"""The command `deckwright`, for which a folder does not answer while a file lies beside it.

Stands for a share whose server has gone: `hanging.py FOLDER ARGUMENTS...`; the folder hangs while
`FOLDER.hang` is there, and says with `FOLDER.hangs` that somebody waits for it.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import Any

from deckwright.cli.main import main

FOLDER = Path(sys.argv.pop(1))
SCAN = os.scandir


def scandir(path: Any = ".") -> Any:
    """Look into a folder as soon as it answers."""
    while path == FOLDER and FOLDER.with_suffix(".hang").exists():
        FOLDER.with_suffix(".hangs").touch()
        time.sleep(0.01)
    return SCAN(path)


if __name__ == "__main__":
    os.scandir = scandir
    main()
