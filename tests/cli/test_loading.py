"""What a command loads: a small deck waits for nothing that it does not need."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

UNNEEDED = {"multiprocessing", "structlog", "rich", "sqlite3", "PIL", "watchdog"}


@pytest.mark.usefixtures("unmeasured")
def test_a_run_of_a_small_deck_loads_neither_helpers_nor_what_only_a_service_needs(
    shop, tmp_path
) -> None:
    job = shop.job(tmp_path, shop.chain())
    deck = shop.deck(tmp_path / "small.txt", b"00017012340IRON WASHERS\n")
    code = (
        "import json, sys\n"
        "from deckwright.cli.main import main\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        "print(json.dumps(sorted({name.partition('.')[0] for name in sys.modules})))"
    )
    told = subprocess.run(  # noqa: S603 # our own command
        [sys.executable, "-c", code, "run", str(job), str(deck), "--out", str(tmp_path / "o")],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    loaded = set(json.loads(told.stdout.splitlines()[-1]))
    assert "polars" in loaded
    assert not loaded & UNNEEDED
