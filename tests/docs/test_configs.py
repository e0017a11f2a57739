"""The example jobs under config/: each loads, and ours run on a small invented deck."""

from __future__ import annotations

import json

import numpy as np
import pytest

from deckwright.cards.codes import load_code
from deckwright.engine.planning.plan import load_plan
from deckwright.engine.run import run_job

JOBS = ["coast-lamps", "northmoor-spares", "reference"]
WEIGHTS = (2, 3, 4, 5, 6)


def test_every_example_job_is_tested(pages) -> None:
    assert sorted(path.stem for path in (pages.root / "config" / "jobs").glob("*.toml")) == JOBS


@pytest.mark.parametrize("name", JOBS)
def test_an_example_job_loads(pages, name) -> None:
    plan = load_plan(pages.root / "config" / "jobs" / f"{name}.toml")
    assert plan.spec.title
    assert plan.steps[-1].kind == "emit"


def part(payload: str) -> str:
    """Return a part number with its check digit: weighted sum a multiple of 11, weights 2 to 6.

    Common practice, no source.
    """
    total = sum(int(d) * w for d, w in zip(reversed(payload), WEIGHTS, strict=True))
    check = -total % 11
    assert check < 10, "such numbers are not issued"
    return f"{payload}{check}"


def spare(number: str, day: str, pieces: str, price: str, rest: str) -> str:
    return f"{number}{day}{pieces}{price}{rest}"


def test_northmoor_movements_become_ledger_cards(pages, tmp_path) -> None:
    bolt, hinge = part("10000"), part("10002")
    cards = [
        spare(hinge, "010357", "0001B", "0000250", f"{'':55}R"),  # 12 in at 2.50
        spare(bolt, "030357", "00003", " " * 7, f"N{'':54}I"),  # 3 out
        spare(bolt, "010357", "0010{", "0000125", f"{'':55}R"),  # 100 in at 1.25
        spare(bolt, "020357", "0002}", "0000125", f"{'':55}R"),  # 20 taken back
        spare(bolt, "020357", "00005", " " * 7, f"{'':55}R"),  # no price
        spare(bolt[:-1] + "9", "020357", "00005", " " * 7, f"N{'':54}I"),  # wrong check digit
        spare(bolt, "310257", "00001", " " * 7, f"W{'':54}I"),  # no such day, no such shed
        spare(bolt, "040357", "09000", " " * 7, f"S{'':54}I"),  # more than 5,000
        *(spare(bolt, "050357", "00001", " " * 7, f"S{'':54}I") for _ in range(12)),
        "0" * 79 + "Q",
    ]
    deck = tmp_path / "spares.txt"
    deck.write_text("".join(f"{card}\n" for card in cards), encoding="ascii")
    outcome = run_job(
        pages.root / "config" / "jobs" / "northmoor-spares.toml", [deck], tmp_path / "run"
    )
    reasons = (outcome.folder / "returned" / "reasons.csv").read_text(encoding="utf-8")
    found = [(line.split(",")[0], line.split(",")[5]) for line in reasons.splitlines()[1:]]
    assert found == [
        ("5", "rule:receipt-has-a-price"),
        ("6", "check-digit"),
        ("7", "no-such-date"),
        ("7", "not-in-list"),
        ("21", "unknown-card-type"),
    ]
    queries = (outcome.folder / "queries.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert [line.split(",")[0] for line in queries] == ["8"]
    ledger = (outcome.folder / "out" / "ledger.csv").read_text(encoding="utf-8").splitlines()
    assert ledger[:4] == [
        "card,serial,part,card_type,day,stock,worth_in_crowns,shed",
        f"4,100,{bolt},receipt,1957-03-02,-20,-25.00,",
        f"3,110,{bolt},receipt,1957-03-01,100,125.00,",
        f"9,120,{bolt},issue,1957-03-05,-1,,S",
    ]
    assert ledger[-1] == f"1,260,{hinge},receipt,1957-03-01,12,30.00,"
    lines = (outcome.folder / "out" / "ledger.txt").read_text(encoding="utf-8").splitlines()
    assert lines[0] == f"000100 {bolt} 1957-03-02    -20     -25.00{'':35}NMD"
    receipts = (outcome.folder / "out" / "receipts.deck").read_bytes().decode("cp037")
    assert [receipts[i : i + 6] for i in range(0, len(receipts), 80)] == [
        "000100",
        "000110",
        "000260",
    ]


def column_binary(holes: np.ndarray) -> bytes:
    """Return patterns as column binary, from the layout of the two bytes in the guide."""
    return ((holes << 2 & 0x3F00) | (holes & 0x3F)).astype(">u2").tobytes()


def test_coast_lamps_keep_letters_of_their_own_code_and_every_hole(pages, tmp_path) -> None:
    code = load_code("coast-national", [pages.root / "config" / "codes"])
    every = np.full(11, 0xFFF, np.uint16)  # a column with all twelve rows is no character
    records = []
    for lamp, hours in (("ØST BØYE", "0107"), ("ÅS", "003J"), ("A 1", "7441"), ("ÆGIR 2", "0000")):
        text = np.frombuffer(code.alphabet.encode(f"{lamp:<12}{hours}".ljust(80)), np.uint8)
        holes = code.to_holes[text].astype(np.uint16)
        holes[20:31] = every
        records.append(column_binary(holes))
    deck = tmp_path / "lamps.cbn"
    deck.write_bytes(b"".join(records))
    job = pages.root / "config" / "jobs" / "coast-lamps.toml"
    outcome = run_job(job, [deck], tmp_path / "run")
    control = json.loads((outcome.folder / "control.json").read_text(encoding="utf-8"))
    assert [(r["reason"], r["field"]) for r in control["reasons"]] == [("out-of-range", "hours")]
    assert (outcome.folder / "returned" / "lamps.cbn").read_bytes() == records[2]
    rows = (outcome.folder / "out" / "hours.csv").read_text(encoding="utf-8").splitlines()[1:]
    cells = {row.split(",")[1]: row.split(",") for row in rows}
    assert set(cells) == {"ØST BØYE", "ÅS", "ÆGIR 2"}
    assert cells["ÅS"][2:4] == ["3.1", "estimated"]
    assert cells["ÅS"][4] == " ".join(["12-11-0-1-2-3-4-5-6-7-8-9"] * 11)
    delivered = (outcome.folder / "out" / "lamps.cbn").read_bytes()
    assert sorted(delivered[i : i + 160] for i in range(0, 480, 160)) == sorted(
        record for place, record in enumerate(records) if place != 2
    )
    used = (outcome.folder / "config" / "codes" / "coast-national.toml").read_bytes()
    assert used == (pages.root / "config" / "codes" / "coast-national.toml").read_bytes()
