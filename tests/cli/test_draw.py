"""`deckwright draw`: cards of any deck or run, in any form, and a sentence where that cannot be."""

from __future__ import annotations

import io
import re
import shlex
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from deckwright.cards.codes import load_code
from deckwright.cli.commands import draw
from deckwright.cli.commands.draw import MOST_CARDS
from deckwright.cli.shared.drawable import WhichMediumError, must_read_alike, picked, source_of_deck
from drawing_help import holes_of, pages_of, texts
from picture_help import holes_of as picture_holes_of
from picture_help import named_cards, zipped

ASCII = load_code("ascii")
CARDS = ["00001000150", "000X2000250", "00003000350", "0000400Z450"]
TEXT = ("--medium", '{ kind = "text" }')


@pytest.fixture(scope="module")
def made(tmp_path_factory, shop):
    """Return a folder with a job, a deck and its run; cards 2 and 4 came back."""
    folder = tmp_path_factory.mktemp("made")
    job = shop.job(folder, shop.chain())
    deck = shop.deck(folder / "cards.txt", CARDS)
    assert shop.run(job, deck).returned == 2
    return folder


def patterns(text: str) -> np.ndarray:
    return ASCII.to_holes[np.frombuffer(text.ljust(80).encode(), np.uint8)].astype(np.uint16)


def said_well(said) -> str:
    assert said.code == 0, said.err
    return said.out


def test_cards_are_drawn_with_their_holes(made, shop, tmp_path) -> None:
    said = shop.say("draw", made / "cards.txt", *TEXT, "1", "3-4", "--out", tmp_path / "deck")
    assert said.code == 0
    names = sorted(path.name for path in (tmp_path / "deck").iterdir())
    assert names == ["card-1.svg", "card-3.svg", "card-4.svg"]
    for number in (1, 3, 4):
        svg = (tmp_path / "deck" / f"card-{number}.svg").read_text(encoding="utf-8")
        assert np.array_equal(holes_of(svg), patterns(CARDS[number - 1]))


def test_without_out_a_card_is_drawn_with_characters(made, shop) -> None:
    lines = said_well(shop.say("draw", made / "cards.txt", 3, *TEXT)).splitlines()
    assert lines[0] == "Card 3"
    assert CARDS[2] in lines[2]
    assert sum(text.count("\u25ae") for text in lines) == len(CARDS[2])


def test_cards_in_pictures_are_found_to_be_pictures_and_drawn_anew(shop, tmp_path) -> None:
    deck = tmp_path / "box.zip"
    deck.write_bytes(zipped(named_cards(CARDS)))
    out = tmp_path / "again.svg"
    asked = tmp_path / "asked.svg"
    assert shop.say("draw", deck, 3, "--out", asked).code == 0
    svg = asked.read_text(encoding="utf-8")
    assert not holes_of(svg).any()
    assert any("nobody has said which corner" in text for text in texts(svg))
    medium = '{ kind = "pictures", cut = "upper-left" }'
    assert shop.say("draw", deck, 3, "--medium", medium, "--out", out).code == 0
    assert np.array_equal(holes_of(out.read_text(encoding="utf-8")), picture_holes_of(CARDS[2]))


def test_the_first_card_is_drawn_where_none_is_named(made, shop, tmp_path) -> None:
    assert said_well(shop.say("draw", made / "cards.txt", *TEXT)).startswith("Card 1\n")
    out = tmp_path / "sheet.pdf"
    assert shop.say("draw", made / "cards.txt", *TEXT, "--sheet", "a4", "--out", out).code == 0
    assert len(pages_of(out.read_bytes())) == 1


def test_a_run_shows_its_returned_cards_with_reasons_and_fields(made, shop, tmp_path) -> None:
    out = tmp_path / "back.svg"
    assert shop.say("draw", made / "run", "--out", out).code == 0
    assert not out.exists()
    svg = (tmp_path / "back-2.svg").read_text(encoding="utf-8")
    assert np.array_equal(holes_of(svg), patterns(CARDS[1]))
    shown = texts(svg)
    assert "item (column 4) is '000X2': must be digits only" in shown
    assert {"item", "amount", "note"} <= set(shown)
    assert (tmp_path / "back-4.svg").exists()
    assert "Card 4" in said_well(shop.say("draw", made / "run"))


def test_a_card_that_went_on_is_drawn_from_its_deck(made, shop, tmp_path) -> None:
    said = shop.say("draw", made / "run", 3)
    assert said.code == 4
    assert "card 3 went on" in said.err
    assert "--deck cards.txt" in said.err
    found = said_well(shop.say("draw", made / "run", 3, "--deck", made / "cards.txt"))
    assert CARDS[2] in found
    other = shop.deck(tmp_path / "cards.txt", [*CARDS[:3], "00005000150"])
    said = shop.say("draw", made / "run", 3, "--deck", other)
    assert said.code == 4
    assert "is 'cards.txt' as it was run" in said.err


def test_cards_of_several_decks_keep_their_numbers_and_places(shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain())
    first = shop.deck(tmp_path / "one.txt", ["", *CARDS])
    second = shop.deck(tmp_path / "two.txt", ["0000Y000150", *CARDS])
    shop.run(job, first, second)
    said = said_well(shop.say("draw", tmp_path / "run", 1, 3, 6, 8))
    wanted = [
        "Card 1 of one.txt (card 1 of the run)",
        "Card 3 of one.txt (card 3 of the run)",
        "Card 1 of two.txt (card 6 of the run)",
        "Card 3 of two.txt (card 8 of the run)",
    ]
    assert [text for text in said.splitlines() if text.startswith("Card ")] == wanted
    parts = said.split("Card ")[1:]
    assert CARDS[1] in parts[1]
    assert "0000Y000150" in parts[2]
    assert CARDS[1] in parts[3]
    assert "\u25ae" not in parts[0]


def test_a_png_has_the_pixels_that_were_asked_for(made, shop, tmp_path) -> None:
    out = tmp_path / "card.png"
    assert shop.say("draw", made / "cards.txt", 1, *TEXT, "--out", out, "--ppi", 50).code == 0
    picture = Image.open(io.BytesIO(out.read_bytes()))
    assert picture.size == (371, 165)
    assert picture.info["dpi"] == pytest.approx((50, 50), abs=0.02)


def test_a_contact_sheet_shows_many_cards(made, shop, tmp_path) -> None:
    out = tmp_path / "small.svg"
    assert shop.say("draw", made / "run", "--contact", 4, "--out", out).code == 0
    shown = texts(out.read_text(encoding="utf-8"))
    assert {"Card 2", "Card 4", "Cards of run", "page 1 of 1"} <= set(shown)


def test_pages_in_a_folder_have_numbers(made, shop, tmp_path) -> None:
    options = ("--sheet", "letter", "--form", "png", "--ppi", "30", "--out", tmp_path / "pages")
    assert shop.say("draw", made / "cards.txt", "1-4", *TEXT, *options).code == 0
    names = sorted(path.name for path in (tmp_path / "pages").iterdir())
    assert names == ["page-1.png", "page-2.png"]


def test_the_job_says_how_a_deck_is_read(made, shop, tmp_path) -> None:
    data = CARDS[0].ljust(80).encode("cp037")
    deck = shop.deck(tmp_path / "cards.dat", data)
    medium = {"kind": "blocks", "code": "cp037"}
    job = shop.job(tmp_path, [{"kind": "decode", "medium": medium},
                              {"kind": "validate", "layout": "receipts"}])  # fmt: skip
    found = said_well(shop.say("draw", deck, "--job", job))
    assert CARDS[0] in found
    assert "item 1\u20135" in found
    named = said_well(shop.say("draw", deck, "--medium", '{ kind = "blocks" }', "--code", "cp037"))
    assert CARDS[0] in named
    said = shop.say("draw", deck, "--job", job, "--code", "cp037")
    assert said.code == 2


def test_a_layout_of_ones_own_is_shown(made, shop) -> None:
    found = said_well(
        shop.say("draw", made / "cards.txt", *TEXT, "--layout", made / "receipts.toml")
    )
    assert "fields: 1 item 1\u20135, 2 amount 6\u201311, 3 note 12\u201330" in found


def test_a_deck_that_may_be_several_things_is_not_guessed(shop, tmp_path) -> None:
    noise = np.random.default_rng(1).integers(0, 256, 1_600).astype(np.uint8)
    deck = shop.deck(tmp_path / "strange.dat", noise.tobytes())
    said = shop.say("draw", deck)
    assert said.code == 2
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert "--medium" in said.err


def test_a_deck_that_speaks_for_itself_needs_no_options(shop, tmp_path) -> None:
    cards = [f"{number:05}{number * 37 % 9_973:06} LOT {number % 7}" for number in range(1, 400)]
    deck = shop.deck(tmp_path / "lots.txt", cards)
    assert cards[6] in said_well(shop.say("draw", deck, 7))
    blocks = shop.deck(tmp_path / "lots.dat", b"".join(c.ljust(80).encode("cp037") for c in cards))
    assert cards[6] in said_well(shop.say("draw", blocks, 7))


def test_a_code_is_not_asked_for_where_all_draw_the_same(shop, tmp_path) -> None:
    deck = shop.deck(tmp_path / "few.dat", "PAID 12".ljust(80).encode("cp037"))
    named = {"kind": "blocks", "code": "cp037"}
    source = source_of_deck(deck, named, None)
    cards = picked(source.medium, deck, [1])
    must_read_alike(deck, replace(source, rival=load_code("cp500")), cards)
    with pytest.raises(WhichMediumError, match="--code cp037 or --code latin-1"):
        must_read_alike(deck, replace(source, rival=load_code("latin-1")), cards)


def test_a_record_of_more_columns_than_a_card_is_refused_by_name(shop, tmp_path) -> None:
    deck = shop.deck(tmp_path / "long.dat", b"x" * 120 + b" " * 13)
    medium = '{ kind = "blocks", code = "ascii", record_length = 133 }'
    said = shop.say("draw", deck, "--medium", medium)
    assert said.code == 4
    assert "card 1 reaches to column 120" in said.err
    short = shop.deck(tmp_path / "short.dat", b"x" * 80 + b" " * 53)
    assert "those after 80 are blank" in said_well(shop.say("draw", short, "--medium", medium))


def test_holes_that_are_no_character_are_drawn_and_explained(shop, tmp_path) -> None:
    deck = shop.deck(tmp_path / "laced.cbn", b"\x0f\xff" * 80)
    medium = '{ kind = "column-binary", bits = "word-low-big", code = "ebcdic" }'
    out = said_well(shop.say("draw", deck, "--medium", medium))
    assert out.count("\u25ae") == 960
    assert "columns 1\u201380: no character of code 'ebcdic'" in out


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("0",), 2, "'0' is no card number"),
        (("5-3",), 2, "'5-3' is no card number and no range"),
        (("x",), 2, "'x' is no card number"),
        ((f"1-{MOST_CARDS + 1}",), 2, "name fewer"),
        (("9",), 2, "there is no card 9; deck 'cards.txt' has cards 1 to 4"),
        (("1", "--out", "card.jpg"), 2, "should end in .svg, .png or .pdf"),
        (("1", "--sheet", "a4"), 2, "say where with --out"),
        (("1", "--medium", "{ kind = 5"), 2, "is no TOML table"),
        (("1", "--medium", '{ kind = "text", nonsense = 1 }'), 2, "unknown key 'nonsense'"),
        (("1", "--code", "nonsense"), 2, "nonsense"),
        (("1", "--out", "missing/card.svg"), 73, "cannot be written"),
        (("1", "--out", "card.pdf", "--font", "cards.txt"), 2, "font"),
    ],
)
def test_what_cannot_be_drawn_is_told_in_one_sentence(
    made, shop, monkeypatch, arguments, code, words
) -> None:
    monkeypatch.chdir(made)
    named = () if "--medium" in arguments or "--code" in arguments else TEXT
    said = shop.say("draw", "cards.txt", *named, *arguments)
    assert said.code == code
    assert words in said.err
    assert "Traceback" not in said.err


def test_files_that_are_no_decks_are_told(shop, tmp_path) -> None:
    said = shop.say("draw", tmp_path / "nothing")
    assert (said.code, "does not exist" in said.err) == (4, True)
    said = shop.say("draw", tmp_path)
    assert (said.code, "is a folder" in said.err) == (4, True)


def test_a_run_without_returned_cards_says_so(shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain())
    shop.run(job, shop.deck(tmp_path / "good.txt", CARDS[:1]))
    said = shop.say("draw", tmp_path / "run")
    assert said.code == 2
    assert "no card was returned; name the cards to draw" in said.err
    said = shop.say("draw", tmp_path / "run", 7)
    assert said.code == 2
    assert "there is no card 7" in said.err


def test_the_commands_of_the_guide_do_what_it_says(shop, tmp_path, monkeypatch) -> None:
    root = Path(draw.__file__).parents[4]
    readme = (root / "README.md").read_text(encoding="utf-8")
    guide = (root / "pipeline/deckwright/guide/drawing.md").read_text(encoding="utf-8")
    for name, block in re.findall(r"```toml\n# ([a-z]+\.toml)\n(.*?)```", readme, re.DOTALL):
        (tmp_path / name).write_text(block, encoding="utf-8")
    deck = re.search(r"```text\n(.*?)```", readme, re.DOTALL)[1]
    (tmp_path / "receipts.txt").write_text(deck, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert shop.say("run", "first.toml", "receipts.txt", "--out", "receipts-run").code == 0
    commands = re.findall(r"^deckwright (draw .*)$", guide, re.MULTILINE)
    assert len(commands) == 10
    for command in commands:
        words = shlex.split(command)
        assert shop.say(*words).code == 0, command
        if "--out" in words:
            out = Path(words[words.index("--out") + 1])
            assert any(out.iterdir()) if out.is_dir() else out.stat().st_size, command


def test_characters_that_the_terminal_cannot_show_give_way_to_ascii(made, shop) -> None:
    said = shop.call("draw", made / "cards.txt", *TEXT, env={"PYTHONIOENCODING": "ascii"})
    assert said.code == 0
    assert said.out.isascii()
    assert said.out.count("#") == len(CARDS[0])


def test_a_run_folder_has_a_page_of_all_returned_cards(made) -> None:
    page = (made / "run" / "returned.html").read_text(encoding="utf-8")
    assert "All 2 returned cards" in page
    assert page.count("<figure") == 2
    sheet = (made / "run" / "control.html").read_text(encoding="utf-8")
    assert '<a href="./returned.html">' in sheet
    assert ">amount</text>" in sheet
