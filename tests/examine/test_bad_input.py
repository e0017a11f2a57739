"""What is no deck is named in one sentence; what is not clear is asked."""

from __future__ import annotations

import gzip
import io
import tarfile
import zipfile

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from deckwright.examine.deck import examine
from deckwright.examine.show.terminal import lines
from examine.conftest import text_deck

RANDOM = np.random.default_rng(9).integers(0, 256, 20_000).astype(np.uint8).tobytes()


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is empty"),
        (b"\x89PNG\r\n\x1a\n" + RANDOM, "cannot be read"),
        (b"\xff\xd8\xff\xe0" + RANDOM, "cannot be read"),
        (b"%PDF-1.4\n" + RANDOM, "is a PDF document"),
        (b"\xff\xfe" + ("RG00001\n" * 50).encode("utf-16-le"), "is in UTF-16"),
        (b"\x1f\x8b" + RANDOM, "gzip"),
        (b"PK\x03\x04" + RANDOM, "zip"),
    ],
)
def test_what_is_no_deck_is_named(write, shop, data, said) -> None:
    answer = shop.say("examine", write(data))
    assert answer.code == 4
    assert said in answer.err
    assert len(answer.err.splitlines()) == 1


def test_folders_and_missing_files_are_named(tmp_path, shop) -> None:
    assert "is a folder" in shop.say("examine", tmp_path).err
    assert "does not exist" in shop.say("examine", tmp_path / "none").err
    assert "is not a file" in shop.say("examine", "/dev/null").err


def test_a_truncated_deck_is_named_with_the_place_where_it_ends(write, planted, shop) -> None:
    said = shop.say("examine", write(planted(50).tobytes()[:-30]))
    assert said.code == 0
    assert "49 cards of 80 columns" in said.out
    (warning,) = said.err.splitlines()
    assert warning.startswith("warning: ")
    assert "ends inside card 50, after 50 of the 80 bytes" in warning


def test_bytes_that_are_nothing_are_asked_about(write, shop, tmp_path) -> None:
    page = tmp_path / "page.html"
    said = shop.say("examine", write(RANDOM), "--html", page, "--propose", tmp_path / "p")
    assert said.code == 0
    assert "--medium '{ kind = " in said.out
    assert "--code" in said.out
    assert "nothing is proposed before the medium is chosen" in said.err
    assert "Guessed fields" not in page.read_text(encoding="utf-8")
    assert not (tmp_path / "p").exists()


def test_a_medium_that_is_shown_can_be_given_back(write, planted, shop) -> None:
    deck = write(planted(50).tobytes())
    asked = examine([write(RANDOM, "random.dck")])
    assert not asked.counted
    said = shop.say("examine", deck, "--medium", '{ kind = "blocks", code = "ascii" }', "--brief")
    assert said.code == 0
    assert "50 cards of 80 columns" in said.out


def test_two_codes_that_read_the_cells_equally_well_are_asked_about(write, planted) -> None:
    # code page 037 reads 5A as "!", code page 500 as "]": published tables of both
    raw = bytearray(planted(60).tobytes().decode().encode("cp037"))
    raw[49] = 0x5A
    found = examine([write(bytes(raw))])
    assert found.counted
    assert not found.reading.sure
    assert "--code" in found.reading.question
    assert dict(found.reading.differs) == {50: 1}
    assert any("--code" in text for line in lines(found) for text, _ in line)
    named = examine([write(bytes(raw))], code="cp037")
    assert named.reading.sure
    assert named.reading.question == ""


@pytest.mark.parametrize(
    ("medium", "said"),
    [
        ("blocks", "is no TOML table"),
        ("{ code = 'cp037' }", "lacks the key 'kind'"),
        ("kind = 'blocks', length = 3", "'length'"),
        ("kind = 'blocks', code = 'cp03'", "did you mean 'cp037'"),
    ],
)
def test_a_medium_that_cannot_be_used_is_explained(write, planted, shop, medium, said) -> None:
    answer = shop.say("examine", write(planted(20).tobytes()), "--medium", medium)
    assert answer.code == 2
    assert said in answer.err
    assert len(answer.err.splitlines()) == 1


def test_wrapped_decks_are_examined_inside(write, planted) -> None:
    data = text_deck(planted(60))
    zipped = io.BytesIO()
    with zipfile.ZipFile(zipped, "w") as archive:
        archive.writestr("deck.txt", data)
    tarred = io.BytesIO()
    with tarfile.open(fileobj=tarred, mode="w") as archive:
        member = tarfile.TarInfo("deck.txt")
        member.size = len(data)
        archive.addfile(member, io.BytesIO(data))
    for wrapped in (gzip.compress(data), zipped.getvalue(), tarred.getvalue()):
        found = examine([write(wrapped)])
        assert found.cards == 60
        assert found.reading.options["kind"] == "wrapped"
        assert found.reading.options["inside"]["kind"] == "text"


def test_an_archive_of_several_files_is_looked_into_and_asked_about(write, planted, shop) -> None:
    data = text_deck(planted(20))
    many = io.BytesIO()
    with zipfile.ZipFile(many, "w") as archive:
        archive.writestr("a.txt", data)
        archive.writestr("b.bin", RANDOM)
    deck = write(many.getvalue())
    said = shop.say("examine", deck)
    assert said.code == 0
    assert "holds 2 files, and a deck is one of them" in said.out
    assert "a.txt: text in 'ascii'" in said.out
    assert "b.bin: not certain what it is" in said.out
    chosen = next(line for line in said.out.splitlines() if 'member = "a.txt"' in line)
    table = chosen.partition("--medium ")[2].strip("'")
    assert "20 cards of 80 columns" in shop.say("examine", deck, "--medium", table).out
    short = '{ kind = "wrapped", member = "a.txt" }'
    assert "20 cards of 80 columns" in shop.say("examine", deck, "--medium", short).out
    missing = shop.say("examine", deck, "--medium", '{ kind = "wrapped", member = "c" }')
    assert missing.code == 4
    assert "holds no member 'c'" in missing.err


def test_an_archive_in_an_archive_is_named(write, planted, shop) -> None:
    twice = gzip.compress(gzip.compress(text_deck(planted(20))))
    assert "unwrap it once by hand" in shop.say("examine", write(twice)).err


def test_decks_on_different_media_are_not_mixed(write, planted, shop) -> None:
    cards = planted(40)
    said = shop.say("examine", write(text_deck(cards), "a"), write(cards.tobytes(), "b"))
    assert said.code == 4
    assert "examine them one at a time" in said.err


@settings(max_examples=25, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(
    st.one_of(
        st.binary(min_size=1, max_size=900),
        st.binary(min_size=1, max_size=9).map(lambda part: part * 160),
        st.lists(st.text("AZ09 -", max_size=90), min_size=1, max_size=30).map(
            lambda texts: "\n".join(texts).encode()
        ),
    )
)
def test_any_bytes_are_answered_or_refused_in_one_sentence(room, shop, data) -> None:
    deck = room() / "any"
    deck.write_bytes(data)
    said = shop.say("examine", deck)
    if said.code:
        assert said.code in (2, 4)
        assert len(said.err.splitlines()) == 1
    else:
        assert "Guessed fields" in said.out or "--medium" in said.out
