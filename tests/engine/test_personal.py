"""Personal text is in the deliveries that name its field and in returned decks, nowhere else."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.codes import load_code
from deckwright.engine.passes.sealed import seal_of
from deckwright.engine.planning.limits import Sizes
from deckwright.engine.planning.plan import load_plan
from deckwright.journal.events import events
from deckwright.journal.reader import Journal
from deckwright.journal.replay import replay, unproved
from deckwright.layout.personal import BEHIND, KEPT_BACK, Seal, masked, out_of_place, over
from deckwright.plugin.values import DeckPart
from drawing_help import holes_of
from personal_help import (
    CARDS,
    NUMBER,
    PEOPLE,
    WORD,
    holes_drawn,
    make,
    person,
    punched,
    showing,
    stages,
    written,
)
from sets import DEAR

NAMED = {
    "by-name.csv": {"form": "csv", "columns": ["card", "family", "number"]},
    "by-name.parquet": {"form": "parquet", "columns": ["card", "owner"]},
    "whole.txt": {
        "form": "deck", "medium": {"kind": "text", "code": "ascii"},
        "personal": ["family", "number", "initial", "who", "code"],
    },
}  # fmt: skip
UNNAMED = {f"plain.{end}": {"form": form} for end, form in
           {"parquet": "parquet", "db": "sqlite", "jsonl": "json-lines"}.items()}  # fmt: skip


PERSONAL = slice(1, 22)
"""Columns of the cards, from 0."""


def outputs(*some: dict[str, dict[str, object]]) -> list[dict[str, object]]:
    return [{"file": name, **form} for each in some for name, form in each.items()]


@pytest.fixture(scope="module", params=[True, False], ids=["key", "mask"])
def done(request, shop, tmp_path_factory) -> tuple[Path, Path, Path]:
    folder = tmp_path_factory.mktemp("personal")
    chain = stages(more=outputs(NAMED, UNNAMED))
    job, deck = make(shop, folder, key=request.param, stages=chain)
    shop.run(job, deck, sizes=Sizes(4, 3))
    return folder / "run", job, deck


def test_the_word_shows_in_named_deliveries_and_returned_decks_alone(done, shop) -> None:
    files = shop.files(done[0])
    meant = {f"out/{name}" for name in NAMED} | {"returned/deck.txt"}
    assert showing(files) == meant


def test_drawn_cards_have_no_holes_where_personal_text_stands(done) -> None:
    for page in ("returned.html", "control.html"):
        drawn = re.findall(r"<svg.*?</svg>", (done[0] / page).read_text(), re.DOTALL)
        cards = [holes for svg in drawn if (holes := holes_drawn(svg)).any()]
        assert cards, page
        for holes in cards:
            assert not holes[PERSONAL].any()


def test_all_kinds_of_faults_are_there(done, shop) -> None:
    reasons = pl.read_csv(done[0] / "returned" / "reasons.csv")
    kinds = {"not-a-digit", "out-of-range", "unknown-card-type", "no-master", "rule:odd-item"}
    assert kinds <= set(reasons["reason"])
    assert {"amount", "item", "number"} <= set(reasons["field"])
    assert (done[0] / "returned.html").is_file()
    assert b"<svg" in (done[0] / "returned.html").read_bytes()
    alone = (done[0] / "out" / "items-without-card.csv").read_text()
    assert alone.splitlines()[0] == "record,item,label"
    found = reasons.filter(pl.col("field") == "amount")["found"].to_list()
    assert "9999X9" in found  # what is not personal is said


def test_the_same_text_has_the_same_digest_and_another_another(done) -> None:
    journal = Journal(done[0])
    entries = journal.entries.filter(pl.col("found").str.starts_with("#"))
    assert entries.height
    if (done[0].parent / "job.toml").read_text().count("personal_key"):
        assert entries["found"].n_unique() > 1
        assert entries["found"].str.contains(r"^#[0-9a-f]{16}$").all()
    else:
        assert set(entries["found"]) == {KEPT_BACK}


def test_changes_are_told_by_digests(done) -> None:
    told = [e for e in events(Journal(done[0])) if e["event"] == "card_changed"]
    assert told
    spans = [fields["who"] for each in told if "who" in (fields := each["fields"])]
    assert spans
    for change in spans:
        for said in change.values():
            assert said.startswith("#") or not said.strip()


def test_what_is_printed_shows_nothing(done, shop, tmp_path) -> None:
    run, job, deck = done
    said = [
        shop.say("check", job),
        shop.say("run", job, deck, "--out", tmp_path / "again"),
        shop.say("journal", run),
        shop.say("trace", run, "3"),
        shop.say("draw", run, "--out", tmp_path / "drawn.svg"),
    ]
    assert [one.code for one in said] == [0, 0, 0, 0, 0]
    for one in said:
        assert not showing({"printed": (one.out + one.err).encode()})
    assert "personal" in said[0].out
    drawings = [path.read_bytes() for path in tmp_path.glob("drawn*.svg")]
    assert len(drawings) == len(pl.read_csv(run / "returned" / "reasons.csv")["card"].unique())
    for svg in drawings:
        assert not holes_of(svg.decode())[PERSONAL].any()
        assert not showing({"drawn": svg})
    drawn = shop.say("draw", run, 1, "--deck", deck, "--out", tmp_path / "one.svg")
    assert drawn.code == 0
    holes = holes_of((tmp_path / "one.svg").read_text())
    assert not holes[PERSONAL].any()
    assert holes[23:34].all()


def test_a_repeated_run_gives_the_same_bytes_and_its_folder_no_key(done, shop, tmp_path) -> None:
    run, job, deck = done
    shop.run(job, deck, out=tmp_path / "again", workers=2, sizes=Sizes(4, 3))
    assert shop.sums(tmp_path / "again") == shop.sums(run)
    plan = load_plan(job)
    seal = seal_of(plan, [DeckPart("deck.txt", str(deck), 1, len(CARDS))])
    secret = (job.parent / "secret").read_bytes()
    for data in shop.files(run).values():
        for hidden in filter(None, (seal.key, secret)):
            assert hidden not in data
            assert hidden.hex().encode() not in data


def test_another_deck_or_secret_gives_other_digests(shop, tmp_path) -> None:
    found = set()
    for number, (secret, more) in enumerate([(b"a" * 32, ""), (b"b" * 32, ""), (b"a" * 32, "x")]):
        folder = tmp_path / str(number)
        folder.mkdir()
        job, deck = make(shop, folder)
        (folder / "secret").write_bytes(secret)
        deck.write_bytes(written([*CARDS, person(3, note=more)]))
        entries = Journal(shop.run(job, deck).folder).entries
        found.add(entries.filter(pl.col("field") == "number")["found"][0])
    assert len(found) == 3


def test_the_journal_replays_all_else_and_proves_personal_text(shop, tmp_path) -> None:
    chain = stages(more=outputs(NAMED))
    job, deck = make(shop, tmp_path, stages=chain)
    deck.write_bytes(written([person(1), person(2, family="OTHERNAME"), person(2)]))
    run = shop.run(job, deck).folder
    code = load_code("ascii-card")
    lines = deck.read_bytes().splitlines()
    text = np.frombuffer(code.alphabet.encode("".join(map(bytes.decode, lines))), np.uint8)
    cards, images = replay(Journal(run), text.reshape(3, 80), code.alphabet)
    whole = (run / "out" / "whole.txt").read_bytes().splitlines()
    delivered = np.full((3, 80), 32, np.uint8)
    for row, line in enumerate(whole):
        delivered[row, : len(line)] = np.frombuffer(line, np.uint8)
    assert (images[:, 39:44] == delivered[:, 39:44]).all()
    behind = images == BEHIND
    assert behind[:, :14].any()
    assert (images[~behind] == delivered[~behind]).all()
    plan = load_plan(job)
    seal = seal_of(plan, [DeckPart("deck.txt", str(deck), 1, 3)])
    assert unproved(Journal(run), cards, delivered, code.alphabet, seal) == []
    false = delivered.copy()
    false[1, 2] = ord("Y")
    assert unproved(Journal(run), cards, false, code.alphabet, seal) == [int(cards[1])]


def test_a_deck_of_cards_must_name_what_stands_on_them(shop, tmp_path) -> None:
    chain = stages(more=[{"file": "whole.txt", "form": "deck", "personal": ["family"]}])
    job, _ = make(shop, tmp_path, stages=chain)
    said = shop.say("check", job)
    assert said.code == 2
    assert "hold the personal field 'number'; name it here too" in said.err


def test_cards_punched_on_blanks_hold_only_what_is_moved(shop, tmp_path) -> None:
    chain = stages(more=[{"file": "whole.txt", "form": "deck"}])
    chain[4] = {"kind": "reproduce", "layout": "copy", "fields": {
        "who": {"constant": "somebody"}, "code": {"move": "note"}}}  # fmt: skip
    job, deck = make(shop, tmp_path, stages=chain)
    run = shop.run(job, deck).folder
    assert b"somebody" in (run / "out" / "whole.txt").read_bytes()
    assert showing(shop.files(run)) == {"returned/deck.txt"}


def test_what_is_computed_of_a_personal_field_is_personal(shop, tmp_path) -> None:
    job, _ = make(shop, tmp_path)
    assert {"family", "number", "initial", "owner", "who", "code"} <= load_plan(job).personal
    assert not {"item", "amount", "label", "note"} & load_plan(job).personal


@pytest.mark.parametrize(("personal", "key", "said"), [
    (["nobody"], None, "unknown field 'nobody'"),
    (["owner"], b"short", "should hold at least 32 random bytes"),
])  # fmt: skip
def test_mistakes_are_named(shop, tmp_path, personal, key, said) -> None:
    job, _ = make(shop, tmp_path, personal=personal)
    if key:
        (tmp_path / "secret").write_bytes(key)
    told = shop.say("check", job)
    assert told.code == 2
    assert said in told.err


RAISES = '''"""Raises with what stands on a card in its message, and keeps a table."""

from deckwright import StageConfig, Table, TrayStage, hookimpl


class Config(StageConfig):
    """Options."""

    how: str = ""


class Stage(TrayStage[Config]):
    kind = "tells"

    def tables(self):
        return {"people": Table({"family": "text", "amount": "whole"}, on_sheet=True)}

    def run(self, tray, book):
        if self.config.how == "raise" and len(tray):
            raise ValueError(f"cannot bear {tray['family'].to_list()}")
        if self.config.how == "sql":
            tray["family"].cast(int)
        book.rows(tray, tray["amount"] >= 0, "people",
                  {"family": tray["family"], "amount": tray["amount"]})
        book.fault(tray, tray["amount"] >= 0, "look", field="family", severity="note")
        return tray


@hookimpl
def deckwright_stages():
    return [Stage]
'''


@pytest.mark.parametrize("how", ["raise", "sql"])
def test_what_a_stage_says_as_it_fails_is_kept_back(shop, tmp_path, how) -> None:
    chain = stages()
    chain[2:2] = [{"kind": "tells", "how": how}]
    (tmp_path / "tells.py").write_text(RAISES)
    job, deck = make(shop, tmp_path, stages=chain, plugins=["tells.py"])
    said = shop.say("run", job, deck, "--out", tmp_path / "run", "--workers", 1)
    assert said.code == 3
    assert not showing({"said": (said.out + said.err).encode()})
    assert "its words are kept back" in said.err
    assert "tells.py:" in said.err


def test_tables_of_stages_hold_digests(shop, tmp_path) -> None:
    chain = stages()
    chain[2:2] = [{"kind": "tells"}]
    (tmp_path / "tells.py").write_text(RAISES)
    job, deck = make(shop, tmp_path, stages=chain, plugins=["tells.py"])
    run = shop.run(job, deck).folder
    people = pl.read_csv(run / "out" / "people.csv")
    assert people["family"].str.starts_with("#").all()
    assert people["amount"].min() == 100
    assert showing(shop.files(run)) == {"returned/deck.txt"}


def test_a_stopped_run_shows_nothing(shop, tmp_path) -> None:
    chain = stages()
    chain[1] = {**chain[1], "most_returned": "5 %"}
    job, deck = make(shop, tmp_path, stages=chain)
    deck.write_bytes(written(CARDS * 3))
    said = shop.say("run", job, deck, "--out", tmp_path / "run")
    assert said.code == 4
    page = tmp_path / "run-failed.html"
    assert b"<svg" in page.read_bytes()
    assert not showing({"page": page.read_bytes(), "said": (said.out + said.err).encode()})


def test_a_group_too_large_or_twice_is_named_by_its_digest(shop, tmp_path) -> None:
    plugin = '''"""Groups by family."""

from deckwright import GroupStage, StageConfig, hookimpl


class Config(StageConfig):
    """None."""


class Stage(GroupStage[Config]):
    kind = "families"
    runs = True

    def group_fields(self):
        return ["family"]

    def run(self, tray, book):
        return tray


@hookimpl
def deckwright_stages():
    return [Stage]
'''
    chain = stages()
    chain[2] = {"kind": "families"}
    (tmp_path / "families.py").write_text(plugin)
    job, deck = make(shop, tmp_path, stages=chain, plugins=["families.py"])
    deck.write_bytes(written([person(1), person(2, family="B"), person(1)]))
    said = shop.say("run", job, deck, "--out", tmp_path / "run")
    assert said.code == 4
    assert "family #" in said.err
    assert not showing({"said": (said.out + said.err).encode()})


def test_a_master_that_fails_is_named_without_its_text(shop, tmp_path) -> None:
    job, deck = make(shop, tmp_path)
    (tmp_path / "items.csv").write_text(f"item,family,label\n00001,{WORD}\u4e00,one\n")
    said = shop.say("run", job, deck, "--out", tmp_path / "run")
    assert said.code == 4
    assert "record 1" in said.err
    assert WORD not in said.err + said.out


def test_pictures_are_refused_beside_personal_fields(shop, tmp_path) -> None:
    pytest.importorskip("cv2")
    chain = stages()
    chain[0] = {
        "kind": "decode",
        "medium": {"kind": "pictures", "code": "ascii-card", "cut": "upper-left"},
    }
    job, _ = make(shop, tmp_path, stages=chain)
    said = shop.say("check", job)
    assert said.code == 2
    assert "cannot be masked" in said.err


def test_without_the_mark_the_text_shows_wherever_it_is_looked_for(shop, tmp_path) -> None:
    chain = stages()
    plain = PEOPLE.replace("personal = true\n", "")
    job, deck = make(shop, tmp_path, stages=chain, personal=[])
    (tmp_path / "people.toml").write_text(plain)
    run = shop.run(job, deck).folder
    pages = {"control.html", "returned.html"}
    lists = {"returned/reasons.csv", "queries.csv", "log.jsonl", "out/items-without-card.csv"}
    journal = {"journal/p1-00000.entries.parquet", "journal/p2-00000.rows.parquet"}
    assert showing(shop.files(run)) >= pages | lists | journal | {"out/plain.csv"}
    drawn = re.findall(r"<svg.*?</svg>", (run / "returned.html").read_text(), re.DOTALL)
    assert any(WORD in punched(holes_drawn(svg)) for svg in drawn)
    assert not load_plan(job).personal


TEXTS = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=12)


@given(TEXTS, TEXTS, st.binary(min_size=32, max_size=32))
def test_digests_tell_texts_apart_as_they_are_but_for_blanks(one, other, key) -> None:
    seal = Seal(key)
    assert (seal.text(one) == seal.text(other)) == (one.strip() == other.strip()) or not (
        one.strip() or other.strip()
    )
    assert seal.texts(pl.Series([one, None, one])).to_list() == [seal.text(one), None,
                                                                 seal.text(one)]  # fmt: skip
    if one.strip():
        assert one not in seal.text(one) or len(one) < 6
        assert repr(key) not in repr(seal)


@given(st.integers(1, 80), st.integers(0, 20), st.integers(1, 80))
def test_masks_cover_their_columns_and_no_other(first, more, width) -> None:
    text = np.full(width, ord("A"), np.uint8)
    holes = np.full(width, 0x900, np.uint16)
    shown, punched, behind = masked(text, holes, [(first, first + more)])
    inside = np.zeros(width, bool)
    inside[first - 1 : first + more] = True
    assert (behind == inside).all()
    assert ((shown == ord(" ")) == inside).all()
    assert ((punched == 0) == inside).all()
    assert masked(text, holes, None)[2].all()
    assert over("A" * width, behind).count("#") == inside.sum()
    blank = np.full(width, ord(" "), np.uint8)
    assert not masked(blank, None, None)[2].any()
    assert masked(blank, holes, None)[2].all()


PLACES = st.lists(
    st.tuples(
        st.integers(0, 70), st.sampled_from([WORD, NUMBER, "P" + WORD, f"{NUMBER}A", "0", " "])
    ),
    max_size=4,
)


@DEAR
@given(st.lists(PLACES, min_size=1, max_size=6))
def test_wherever_a_good_card_is_overpunched_no_personal_text_shows(shop, room, many) -> None:
    folder = room()
    cards = []
    for places in many:
        card = list(f"{person():<80}")
        for start, text in places:
            if start + len(text) <= 23 or text in {"0", " "}:
                card[start : start + len(text)] = text
        cards.append("".join(card)[:80])
    job, deck = make(shop, folder)
    deck.write_bytes(written(cards))
    said = shop.say("run", job, deck, "--out", folder / "run", "--workers", 1)
    files = shop.files(folder / "run") if said.code in {0, 1} else {}
    assert showing(files) <= {"returned/deck.txt"}
    assert not showing({"said": (said.out + said.err).encode()})


@pytest.mark.slow
@DEAR
@given(st.integers(-20, 40), st.sampled_from(CARDS))
def test_cards_moved_by_any_columns_show_nothing_whole(shop, room, by, card) -> None:
    folder = room()
    whole = f"{card:<80}"
    moved = (" " * by + whole)[:80] if by >= 0 else whole[-by:].ljust(80)
    job, deck = make(shop, folder)
    deck.write_bytes(written([person(1), moved, person(2)]))
    said = shop.say("run", job, deck, "--out", folder / "run", "--workers", 1)
    files = shop.files(folder / "run") if said.code in {0, 1} else {}
    assert showing(files) <= {"returned/deck.txt"}
    assert not showing({"said": (said.out + said.err).encode()})


def test_cards_with_one_faulty_field_are_in_place() -> None:
    rows = [
        (1, "fatal", "not-a-digit", "item"),
        (2, "fatal", "not-a-digit", "item"),
        (2, "fatal", "not-a-digit", "amount"),
        (3, "note", "record-short", ""),
        (4, "fatal", "shifted", ""),
        (5, "fatal", "rule:a", "item"),
        (5, "fatal", "rule:a", "amount"),
        (6, "fatal", "unknown-card-type", "card_type"),
    ]
    frame = pl.DataFrame(rows, ["card", "severity", "reason", "field"], orient="row")
    assert sorted(out_of_place(frame)) == [2, 3, 4, 6]


def test_log_and_sheet_still_count(done, shop) -> None:
    control = shop.control(done[0])
    assert control["equation"]["holds"]
    lines = (done[0] / "log.jsonl").read_text().splitlines()
    assert any(json.loads(line)["event"] == "card_failed" for line in lines)
