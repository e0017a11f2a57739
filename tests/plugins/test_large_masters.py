"""A large master is looked up without staying in memory, and with the same records."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from conftest import COMMAND
from deckwright_plugins.shared import mapped

MIB = 2**20

LOOKS_UP = """
import sys
from pathlib import Path
import numpy as np
from deckwright import FieldShape
from deckwright_plugins.stages.merge.mastertaken import Taken

def resident() -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    (line,) = (line for line in lines if line.startswith("RssFile"))
    return int(line.split()[1]) * 1024

taken = Taken(Path(sys.argv[1]), FieldShape("text", 64))
before = resident()
rows = np.random.default_rng(1).integers(0, int(sys.argv[2]), 50_000)
values = taken.take(rows)
assert values.data[:, :8].copy().view(np.int64)[:, 0].tolist() == rows.tolist()
print(resident() - before)
"""


@settings(deadline=None)
@given(
    st.integers(1, 300),
    st.integers(1, 3),
    st.integers(1, 2_000),
    st.lists(st.integers(0, 10_000), max_size=80),
)
def test_rows_come_as_they_were_asked_for(count: int, width: int, most: int, asked) -> None:
    table = np.random.default_rng(count).integers(0, 99, (count, width))
    rows = np.array(asked, np.int64) % count
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(mapped, "KEPT", most)
        assert (mapped.rows_by_stretches(table, rows) == table[rows]).all()


def test_what_was_looked_up_leaves_memory(tmp_path: Path) -> None:
    records = 2 * 10**6
    data = np.zeros((records, 64), np.uint8)
    data.view(np.int64)[:, 0] = np.arange(records)
    np.save(tmp_path / "take.npy", data)
    np.save(tmp_path / "take.none.npy", np.zeros(records, np.bool_))
    command = [sys.executable, "-c", LOOKS_UP, tmp_path / "take", str(records)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)  # noqa: S603 # ours
    assert data.nbytes > 100 * MIB
    assert int(done.stdout) < 40 * MIB


def peak(shop, folder: Path, records: int, cards: int) -> int:
    """Return the most resident memory of a run, in bytes, that looks cards up in a master."""
    folder.mkdir()
    ids = np.random.default_rng(5).permutation(records)
    spelt = pl.Series("id", ids).cast(pl.String).str.zfill(8)
    name = pl.Series("name", ids).cast(pl.String).str.zfill(30)
    pl.DataFrame([spelt, name]).write_csv(folder / "book.csv")
    shop.deck(folder / "deck", b"".join(f"{id_:<80}\n".encode() for id_ in spelt[:cards]))
    layout = '[[field]]\nname = "id"\ncolumns = "1-8"\nkind = "digits"\n'
    merge = {"kind": "merge", "master": "book", "match": {"id": "id"}, "take": {"name": "name"}}
    chain = shop.chain(merge)
    job = shop.job(
        folder, chain, {"receipts": layout}, memory="256 MiB", files={"book": "book.csv"}
    )
    run = ["run", job, folder / "deck", "--out", folder / "run", "--workers", "1"]
    child = subprocess.Popen([*COMMAND, *map(str, run)])  # noqa: S603 # our own command
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode == 0
    assert (folder / "run" / "out" / "cards.csv").read_bytes().count(b"\n") == cards + 1
    return used.ru_maxrss * 1024


@pytest.mark.long
def test_a_run_with_a_large_master_keeps_to_its_memory(shop, tmp_path: Path) -> None:
    base = peak(shop, tmp_path / "small", 2, 1)
    assert peak(shop, tmp_path / "large", 3_000_000, 300_000) < base + 256 * MIB
