"""Decks in several codes, through whole runs: read, checked, traced, punched anew, written back."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import polars as pl
import pytest

from deckwright.engine.planning.plan import load_plan
from deckwright.journal.reader import Journal
from deckwright.journal.replay import replay
from holes_help import punched, two_bytes

LAYOUT = """
[[field]]
name = "item"
columns = "1-5"
kind = "digits"
blank = "error"

[[field]]
name = "amount"
columns = "6-11"
kind = "decimal"
decimals = 2
sign = "overpunch-right"

[[field]]
name = "count"
columns = "12-15"
kind = "whole"
overpunch = { "11" = "about" }

[[field]]
name = "note"
columns = "16-30"
kind = "text"
"""
CARDS = [
    ("00001", "00125{", "0012", "A/B-7, $5"),
    ("00002", "00125J", "003K", "Z.9*"),
    ("00003", "00000}", "0000", ""),
    ("0000A", "000001", "0001", "NOT A NUMBER"),
    ("00005", "00001 ", "0001", "BAD AMOUNT"),
]
# what the scientific sets have and the commercial ones lack: transcription of a code-plate list
FORMULAS = ["A=(B+C)", "X'Y", "(1)+(2)", "=", ")("]


def images(left: str = "commercial-48", right: str = "scientific-48") -> np.ndarray:
    """Return cards with the same fields twice: in columns 1-40 and in 41-80."""
    texts = ["".join(card) for card in CARDS]
    return np.hstack([punched(left, texts, 40), punched(right, texts, 40)])


def chain(*middle: Any, output: Any = (), **options: Any) -> list[Any]:
    medium = {"kind": "column-binary", "code": "commercial-48", **options}
    outputs = [{"file": "o.csv", "form": "csv"}, {"file": "o.cbn", "form": "deck"}, *output]
    emit = {"kind": "emit", "output": outputs}
    return [{"kind": "decode", "medium": medium}, *middle, emit]


def validate(name: str = "cards") -> dict[str, Any]:
    return {"kind": "validate", "layout": name, "most_returned": "100 %"}


def twice(code: str) -> str:
    """Return the layout of both halves, the right one with a code on every field."""
    tables = []
    for name in ("item", "amount", "count", "note"):
        start = LAYOUT.index(f'name = "{name}"')
        table = LAYOUT[start:].partition("\n[[")[0]
        first, last = table.split('columns = "')[1].split('"')[0].split("-")
        moved = table.replace(f'"{name}"', f'"{name}2"', 1)
        moved = moved.replace(f'"{first}-{last}"', f'"{int(first) + 40}-{int(last) + 40}"')
        tables.append(f"[[field]]\n{moved}" + (f'\ncode = "{code}"\n' if code else ""))
    return LAYOUT + "\n".join(tables)


@pytest.mark.parametrize("where", ["field", "columns"])
def test_a_card_in_two_codes_reads_as_two_decks_each_in_one(shop, room, where) -> None:
    folder = room()
    codes = [{"columns": "41-80", "code": "scientific-48"}] if where == "columns" else []
    layout = twice("scientific-48" if where == "field" else "")
    job = shop.job(folder, chain(validate(), codes=codes), {"cards": layout})
    deck = shop.deck(folder / "d.cbn", two_bytes(images()))
    both = shop.run(job, deck).folder
    alone = []
    for code in ("commercial-48", "scientific-48"):
        part = room()
        texts = ["".join(card) for card in CARDS]
        job = shop.job(part, chain(validate(), code=code, record_length=40),
                       {"cards": f"record_length = 40\n{LAYOUT}"})  # fmt: skip
        one = shop.deck(part / "d.cbn", two_bytes(punched(code, texts, 40)))
        alone.append(shop.run(job, one).folder)
    rows = pl.read_csv(both / "out" / "o.csv", infer_schema=False)
    names = ["item", "amount", "count", "count_flag", "note"]
    for run, mark in zip(alone, ("", "2"), strict=True):
        expected = pl.read_csv(run / "out" / "o.csv", infer_schema=False)
        assert rows.height == 3
        for name in names:
            own = name.replace("count", f"count{mark}") if "count" in name else name + mark
            assert rows[own].to_list() == expected[name].to_list(), own
        reasons = pl.read_csv(run / "returned" / "reasons.csv", infer_schema=False)
        found = pl.read_csv(both / "returned" / "reasons.csv", infer_schema=False)
        mine = found.filter(pl.col("field").str.ends_with("2") == (mark == "2"))
        columns = ["card", "reason", "found", "detail"]
        assert mine.select(columns).rows() == reasons.select(columns).rows()
    # sent on and returned, every card is there with the bytes it came with
    kept = (both / "out" / "o.cbn").read_bytes()
    back = (both / "returned" / "d.cbn").read_bytes()
    assert kept + back == deck.read_bytes()


def test_overpunches_count_alike_in_both_codes(shop, tmp_path) -> None:
    job = shop.job(tmp_path, chain(validate()), {"cards": twice("scientific-48")})
    run = shop.run(job, shop.deck(tmp_path / "d.cbn", two_bytes(images()))).folder
    rows = pl.read_csv(run / "out" / "o.csv", infer_schema=False)
    for mark in ("", "2"):
        assert rows[f"amount{mark}"].to_list() == ["12.50", "-12.51", "0.00"]
        assert rows[f"count{mark}"].to_list() == ["12", "32", "0"]
        assert rows[f"count{mark}_flag"].to_list() == ["", "about", ""]
    assert rows["note2"].to_list() == rows["note"].to_list() == ["A/B-7, $5", "Z.9*", None]


def formula_deck(shop, folder, count: int = 5) -> Any:
    left = punched("commercial-48", [f"{n:05}  %#@" for n in range(count)], 20)
    right = punched("scientific-48", [FORMULAS[n % 5] for n in range(count)], 60)
    return shop.deck(folder / "d.cbn", two_bytes(np.hstack([left, right])))


FORMULA = """
[[field]]
name = "number"
columns = "1-5"
kind = "digits"
[[field]]
name = "signs"
columns = "6-20"
[[field]]
name = "formula"
columns = "21-40"
code = "scientific-48"
"""
NEW = """
[[field]]
name = "formula"
columns = "21-40"
[[field]]
name = "again"
columns = "41-60"
"""


def test_characters_that_the_decks_own_code_lacks_are_read_sorted_and_written(
    shop, tmp_path
) -> None:
    sort = {"kind": "sort", "keys": [{"field": "formula", "collate": "ebcdic"}]}
    text = {"file": "o.txt", "form": "deck", "medium": {"kind": "text"}}
    holes = {"file": "o.holes", "form": "deck", "medium": {"kind": "transcript"}}
    job = shop.job(tmp_path, chain(validate(), sort, output=[text, holes]), {"cards": FORMULA})
    deck = formula_deck(shop, tmp_path)
    run = shop.run(job, deck, sizes=shop.small).folder
    rows = pl.read_csv(run / "out" / "o.csv", infer_schema=False)
    ordered = sorted(FORMULAS, key=lambda text: text.ljust(20).encode("cp037"))
    assert rows["formula"].to_list() == ordered
    assert set(rows["signs"].to_list()) == {"  %#@"}
    lines = (run / "out" / "o.txt").read_text(encoding="ascii").splitlines()
    assert [line[20:40].rstrip() for line in lines] == ordered
    cards = {deck.read_bytes()[start : start + 160] for start in range(0, 5 * 160, 160)}
    written = (run / "out" / "o.cbn").read_bytes()
    assert {written[start : start + 160] for start in range(0, 5 * 160, 160)} == cards
    # ANSI X3.26 (second hand) and a code-plate list: ( is 0-8-4 there, % in the commercial set
    assert b"0-8-4" in (run / "out" / "o.holes").read_bytes()


def test_every_process_reads_the_codes_of_the_layout(shop, tmp_path) -> None:
    sort = {"kind": "sort", "keys": [{"field": "formula"}]}
    job = shop.job(tmp_path, chain(validate(), sort), {"cards": FORMULA})
    deck = formula_deck(shop, tmp_path, 40)
    one = shop.run(job, deck, sizes=shop.small).folder
    two = shop.run(job, deck, sizes=shop.small, workers=2, out=tmp_path / "two").folder
    assert shop.sums(one) == shop.sums(two)
    assert set(pl.read_csv(one / "out" / "o.csv")["formula"].to_list()) == set(FORMULAS)


def test_the_journal_traces_the_characters_of_the_codes_of_their_columns(shop, tmp_path) -> None:
    layout = FORMULA.replace('"21-40"\n', '"21-40"\nkind = "choice"\nchoices = ["="]\n')
    job = shop.job(tmp_path, chain(validate()), {"cards": layout})
    run = shop.run(job, formula_deck(shop, tmp_path)).folder
    said = shop.say("trace", run, 1).out
    assert "found 'A=(B+C)" in said, said
    assert "A=(B+C)" in (run / "control.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("base", ["blank", "card"])
def test_a_field_that_is_moved_into_columns_of_another_code_keeps_its_characters(
    shop, tmp_path, base
) -> None:
    new = {"kind": "reproduce", "layout": "new", "base": base,
           "fields": {"again": {"move": "number"}}}  # fmt: skip
    job = shop.job(tmp_path, chain(validate(), new), {"cards": FORMULA, "new": NEW})
    deck = formula_deck(shop, tmp_path)
    run = shop.run(job, deck).folder
    assert pl.read_csv(run / "out" / "o.csv")["formula"].to_list() == FORMULAS
    written = (run / "out" / "o.cbn").read_bytes()
    for place in range(5):
        here = slice(place * 160 + 40, place * 160 + 80)  # columns 21-40
        assert written[here] == deck.read_bytes()[here]


def test_the_journal_alone_leads_from_the_deck_to_the_delivery(shop, tmp_path) -> None:
    new = {"kind": "reproduce", "layout": "new", "fields": {"again": {"move": "number"}}}
    job = shop.job(tmp_path, chain(validate(), new), {"cards": FORMULA, "new": NEW})
    deck = formula_deck(shop, tmp_path)
    run = shop.run(job, deck).folder
    medium = load_plan(job).source.medium
    read = [
        part.text for span in medium.survey(deck, 99).spans for part in medium.read(deck, span, 99)
    ]
    alphabet = medium.code.alphabet
    _, images = replay(Journal(run), np.concatenate(read), alphabet)
    assert medium.encode(images, None, None, alphabet) == (run / "out" / "o.cbn").read_bytes()
    assert [alphabet.decode(image.tobytes())[20:40].rstrip() for image in images] == FORMULAS


def test_a_character_that_has_no_holes_in_its_new_columns_stops_the_run(shop, tmp_path) -> None:
    layouts = {"cards": FORMULA, "new": NEW.replace("21-40", "1-20")}
    new = {"kind": "reproduce", "layout": "new", "fields": {"again": {"move": "number"}}}
    job = shop.job(tmp_path, chain(validate(), new), layouts)
    said = shop.say("run", job, formula_deck(shop, tmp_path), "--out", tmp_path / "run")
    assert said.code != 0
    assert not (tmp_path / "run").exists()


TYPES = """
[[card]]
name = "formula"
when = [{ columns = "80", is = ["F"] }]
[[card.field]]
name = "text"
columns = "1-20"
code = "scientific-48"
[[card]]
name = "price"
when = [{ columns = "80", is = ["P"] }]
[[card.field]]
name = "text"
columns = "1-20"
"""


@pytest.mark.parametrize("where", ["field", "columns"])
def test_card_types_may_have_codes_of_their_own(shop, tmp_path, where) -> None:
    layout, codes = TYPES, []
    if where == "columns":
        when = [{"columns": "80", "is": ["F"]}]
        layout = TYPES.replace('code = "scientific-48"\n', "")
        codes = [{"columns": "1-79", "code": "scientific-48", "when": when}]
    deck = two_bytes(
        np.vstack([
            punched("scientific-48", [f"{'A=(B)':79}F"], 80),
            punched("commercial-48", [f"{'7% @ 2 #':79}P"], 80),
        ])
    )  # fmt: skip
    job = shop.job(tmp_path, chain(validate(), codes=codes), {"cards": layout})
    run = shop.run(job, shop.deck(tmp_path / "d.cbn", deck)).folder
    rows = pl.read_csv(run / "out" / "o.csv")
    assert rows.select("card_type", "text").rows() == [("formula", "A=(B)"), ("price", "7% @ 2 #")]
    assert (run / "out" / "o.cbn").read_bytes() == deck


def test_bytes_of_two_code_pages_are_read_and_written_back(shop, tmp_path) -> None:
    left, right = ["NAÏVE 1", "PLAIN"], ["straße", "Õ"]
    deck = b"".join(
        a.ljust(20).encode("cp037") + b.ljust(60).encode("latin-1")
        for a, b in zip(left, right, strict=True)
    )
    layout = (
        '[[field]]\nname = "a"\ncolumns = "1-20"\n'
        '[[field]]\nname = "b"\ncolumns = "21-80"\ncode = "latin-1"\n'
    )
    stages = chain(validate(), kind="blocks", code="cp037")
    job = shop.job(tmp_path, stages, {"cards": layout})
    run = shop.run(job, shop.deck(tmp_path / "d.dat", deck)).folder
    rows = pl.read_csv(run / "out" / "o.csv")
    assert rows.select("a", "b").rows() == list(zip(left, right, strict=True))
    assert (run / "out" / "o.cbn").read_bytes() == deck


def test_a_byte_that_its_columns_code_lacks_returns_the_card_as_it_came(shop, tmp_path) -> None:
    deck = b"A" * 40 + b"\xe9" + b"B" * 39 + b"A" * 80
    codes = [{"columns": "41-80", "code": "ascii"}]
    job = shop.job(tmp_path, chain(kind="blocks", code="latin-1", codes=codes))
    run = shop.run(job, shop.deck(tmp_path / "d.dat", deck)).folder
    assert (run / "returned" / "d.dat").read_bytes() == deck[:80]
    assert (run / "out" / "o.cbn").read_bytes() == deck[80:]
    reasons = pl.read_csv(run / "returned" / "reasons.csv")
    assert reasons.select("card", "reason", "column").rows() == [(1, "undefined-character", 41)]


ASCII_5_TO_9 = {"columns": "5-9", "code": "ascii"}
SHARED = 'code = "ascii"\n[[field]]\nname = "b"\ncolumns = "5-6"\nshares = true'
REFUSED: dict[str, tuple[list[Any], str, str]] = {
    # codes of the medium, options of the layout's first field, the sentence with its line
    "unknown": ([], 'code = "scientifc-48"', r"cards\.toml:4: .*mean 'scientific-48'"),
    "holes": ([], 'kind = "holes"\ncode = "ascii"', r"cards\.toml:5: .*no sense for kind 'holes'"),
    "two": (
        [], SHARED,
        r"cards\.toml:5: columns 5-6 are in the code of the deck as field 'b', and in code 'asc",
    ),
    "both": (
        [{"columns": "5-9", "code": "ascii-card"}], 'code = "scientific-48"',
        r"job\.toml:\d+: .*columns 1-5 are to be read in .*, and are read in 'ascii-card' already",
    ),
    "medium": ([{"columns": "5", "code": "nope"}], "", r"job\.toml:\d+: .*unknown code 'nope'"),
    "beyond": ([{"columns": "5-99", "code": "ascii"}], "", r"columns 5-99 end beyond the 80"),
    "overlap": (
        [ASCII_5_TO_9, {"columns": "9", "code": "cp037"}], "", r"columns 9 and 5-9 overlap",
    ),
    "condition": (
        [{**ASCII_5_TO_9, "when": [{"columns": "9", "is": ["X"]}]}], "",
        r"columns 9 tell which cards are in code 'ascii'",
    ),
    "too-many": (
        [{"columns": "5", "code": "cp1251"}, {"columns": "6", "code": "cp1253"},
         {"columns": "7", "code": "cp874"}], "",
        r"characters too many for one alphabet",
    ),
}  # fmt: skip


@pytest.mark.parametrize("which", REFUSED)
def test_what_is_not_clear_is_refused_before_the_first_card(shop, tmp_path, which) -> None:
    codes, options, words = REFUSED[which]
    text = f'[[field]]\nname = "a"\ncolumns = "1-5"\n{options}\n'
    job = shop.job(tmp_path, chain(validate(), codes=codes), {"cards": text})
    said = shop.say("check", job)
    assert said.code == 2
    assert re.search(words, said.err), said.err


@pytest.mark.parametrize("kind", ["new", "fixed", "second", "master", "inside"])
def test_codes_where_they_say_nothing_are_refused(shop, tmp_path, kind) -> None:
    new = {"kind": "reproduce", "layout": "new", "fields": {"again": {"move": "number"}}}
    layouts = {"cards": FORMULA, "new": NEW, "coded": FORMULA}
    words = "is written in the code of its medium"
    extra: dict[str, Any] = {}
    stages = chain(validate())
    if kind == "new":
        stages = chain(validate(), {"kind": "reproduce", "layout": "coded"})
    elif kind == "fixed":
        stages = chain(validate(), output=[{"file": "o", "form": "fixed", "layout": "coded"}])
    elif kind == "second":
        stages = chain(validate(), new, validate("coded"))
        words = "punched anew before"
    elif kind == "master":
        (tmp_path / "m.txt").write_text("00001\n", encoding="ascii")
        extra = {"files": {"m": "m.txt"}}
        master = {"file": "m", "layout": "coded"}
        merge = {"kind": "merge", "master": master, "match": {"number": "number"}}
        stages = chain(validate(), merge)
    else:
        inside = {"kind": "column-binary", "code": "commercial-48"}
        codes = [{"columns": "1", "code": "ascii"}]
        stages = chain(validate(), kind="wrapped", inside=inside, codes=codes)
        words = "belongs to the medium that lies inside"
    said = shop.say("check", shop.job(tmp_path, stages, layouts, **extra))
    assert (said.code, words in said.err) == (2, True), said.err


def test_the_same_layout_twice_reads_the_codes_once(shop, tmp_path) -> None:
    job = shop.job(tmp_path, chain(validate(), validate()), {"cards": FORMULA})
    run = shop.run(job, formula_deck(shop, tmp_path)).folder
    assert pl.read_csv(run / "out" / "o.csv")["formula"].to_list() == FORMULAS


@pytest.mark.parametrize("where", ["field", "columns"])
def test_a_wrapped_deck_has_codes_by_column_too(shop, tmp_path, where) -> None:
    codes = [{"columns": "21-80", "code": "scientific-48"}] if where == "columns" else []
    layout = FORMULA if where == "field" else FORMULA.replace('code = "scientific-48"\n', "")
    inside = {"kind": "column-binary", "code": "commercial-48", "codes": codes}
    outputs = [{"file": "o.csv", "form": "csv"}, {"file": "o.cbn", "form": "deck"}]
    stages = [
        {"kind": "decode", "medium": {"kind": "wrapped", "inside": inside}},
        validate(),
        {"kind": "emit", "output": outputs},
    ]
    deck = formula_deck(shop, tmp_path)
    run = shop.run(shop.job(tmp_path, stages, {"cards": layout}), deck).folder
    assert pl.read_csv(run / "out" / "o.csv")["formula"].to_list() == FORMULAS
    assert (run / "out" / "o.cbn").read_bytes() == deck.read_bytes()
    sheet = (run / "control.html").read_text(encoding="utf-8")
    assert "Read as <b>commercial-48</b>" in sheet
