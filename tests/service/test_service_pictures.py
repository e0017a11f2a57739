"""A box of pictures dropped in the inbox is a deck like any other, and so is what comes back."""

from __future__ import annotations

import csv
import io
import tarfile

import pytest

from picture_help import card, half_punched, saved, zipped
from service.house import house

GOOD, UNSURE = "00001000007", "00002000009"
STAGES = [
    {
        "kind": "decode",
        "medium": {"kind": "pictures", "cut": "upper-left"},
        "most_returned": "100 %",
    },
    {"kind": "validate", "layout": "stock"},
    {"kind": "emit", "output": [{"file": "cards.csv", "form": "csv"}]},
]


def answered(path) -> bytes:
    """Return what came back with every form filled in for a column without holes."""
    buffer = io.BytesIO()
    with tarfile.open(path) as source, tarfile.open(fileobj=buffer, mode="w") as filled:
        for info in source:
            data = source.extractfile(info).read()
            if info.name.endswith(".look.csv"):
                rows = list(csv.reader(io.StringIO(data.decode(), newline="")))
                text = io.StringIO()
                csv.writer(text).writerows(
                    [rows[0], *([*row[:-2], "none", "AB"] for row in rows[1:])]
                )
                data = text.getvalue().encode()
            info.size = len(data)
            filled.addfile(info, io.BytesIO(data))
    return buffer.getvalue()


@pytest.mark.slow
def test_a_dropped_archive_is_read_and_its_answered_return_too() -> None:
    box = zipped(
        {"1.png": saved(card(GOOD)), "2.png": saved(half_punched(UNSURE, 30)), "a.txt": b""}
    )
    with house() as made:
        made.job("boxes", STAGES)
        run = made.drop("box.zip", box, "boxes")
        made.once()
        home = made.done(run) / "out"
        assert (
            home / "out" / "cards.csv"
        ).read_bytes() == b"card,item,amount,note\r\n1,00001,7,\r\n"
        assert (home / "out" / "reading.html").stat().st_size
        again = made.drop("box.tar", answered(home / "returned" / "box.tar"), "boxes")
        made.once()
        home = made.done(again) / "out"
        assert (
            home / "out" / "cards.csv"
        ).read_bytes() == b"card,item,amount,note\r\n1,00002,9,\r\n"
        assert not (home / "returned" / "box.tar").exists()
        made.check(ended=True)
