"""Decks that no reader can make cards of: file, what, where and what would do, in one sentence.

Each bad deck has a twin that is as it should be, so that nothing is refused for another reason.
"""

from __future__ import annotations

import gzip
import io
import json
import resource
import sys
import tarfile
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from deckwright.errors import UnreadableDeckError
from deckwright.examine.opening.opening import Media

CARDS = [b"%05d00100{" % number + b"SOME NOTE".ljust(69) for number in range(40)]
TEXT = b"\n".join(CARDS) + b"\n"
BLOCKS = b"".join(CARDS).decode("ascii").encode("cp037")
NOISE = np.random.default_rng(5).integers(0, 256, 60_000).astype(np.uint8).tobytes()
EBCDIC = {"kind": "blocks"}
VARIABLE = {"kind": "records", "form": "variable"}
ZIPPED = {"kind": "wrapped", "inside": {"kind": "text"}}
HOLES = {"kind": "transcript"}
# two bytes a column, row 0 alone: the published layout of column binary
BINARY = bytes([0x08, 0x00]) * 80 * 40
LINES = (b"\n".join([b"0-8-3"] * 80) + b"\n\n") * 3


def words(records: list[bytes]) -> bytes:
    """Return records with descriptor words (from memory: length with itself, two zero bytes)."""
    return b"".join((len(one) + 4).to_bytes(2, "big") + bytes(2) + one for one in records)


def zipped(members: dict[str, bytes]) -> bytes:
    """Return a zip."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def tarred(members: dict[str, bytes]) -> bytes:
    """Return a tar."""
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as archive:
        for name, data in members.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    return buffer.getvalue()


def label(name: str, **places: str) -> bytes:
    """Return a label of 80 characters; positions of ISO 1001 from memory."""
    card = list(name.ljust(80))
    for place, said in places.items():
        first = int(place.removeprefix("p"))
        card[first - 1 : first - 1 + len(said)] = said
    return "".join(card).encode("ascii")


def tape(blocks: str) -> bytes:
    """Return cards in one block between labels that count `blocks` of them."""
    body = words([card.decode("ascii").encode("cp037") for card in CARDS])
    block = (len(body) + 4).to_bytes(2, "big") + bytes(2) + body
    head = label("VOL1BOX001") + label("HDR1RECEIPTS", p55="000000")
    return head + block + label("EOF1RECEIPTS", p55=blocks)


@pytest.fixture
def attempt(tmp_path: Path, shop) -> Callable[..., tuple[int, str, dict[str, Any]]]:
    """Return a runner: medium, bytes -> exit code, sentence, control figures.

    The deck must be as it was, and a run that stops must leave nothing.
    """

    def run(medium: dict[str, Any], data: bytes) -> tuple[int, str, dict[str, Any]]:
        deck = shop.deck(tmp_path / "box 7", data)
        output = {"file": "cards.out", "form": "deck"}
        decode = {"kind": "decode", "medium": medium, "most_returned": "100 %"}
        job = shop.job(tmp_path, [decode, {"kind": "emit", "output": [output]}])
        out = tmp_path / f"run-{len(list(tmp_path.iterdir()))}"
        said = shop.say("run", job, deck, "--out", out, "--workers", 1)
        assert deck.read_bytes() == data
        assert "Traceback" not in said.err
        if said.code:
            assert not out.exists()
            (sentence,) = [one for one in said.err.splitlines() if one.startswith("deckwright: ")]
            assert sentence.isprintable()
            return said.code, sentence, {}
        return 0, "", json.loads((out / "control.json").read_text(encoding="utf-8"))

    return run


REFUSED: dict[str, tuple[dict[str, Any], bytes, bytes, list[str]]] = {
    "a line of more than a mebibyte": (
        {"kind": "text"}, TEXT + b"A" * (1 << 20) + b"B\n", TEXT + b"A" * 80 + b"\n",
        ["more than 1,048,576 bytes", "at card 41", "no deck of text lines"],
    ),
    "two kinds of line ends, CR first": (
        {"kind": "text"}, TEXT.replace(b"\n", b"\r") + b"1" * 70_000 + TEXT,
        TEXT.replace(b"\n", b"\r"), ["CR and holds LF further on", "one kind of line end"],
    ),
    "characters of two bytes": (
        {"kind": "text"}, TEXT.decode().encode("utf-16"), TEXT, ["is in UTF-16", "single-byte"],
    ),
    "blocks read as lines": (
        {"kind": "text"}, BLOCKS * 20, TEXT, ["no line end in its first", "kind = 'blocks'"],
    ),
    "blocks cut inside a card": (
        EBCDIC, BLOCKS[:-7], BLOCKS, ["ends inside card 40, after 73 of the 80 bytes"],
    ),
    "lines read as blocks": (
        EBCDIC, TEXT, BLOCKS, ["ends inside card", "read it with kind = 'text'"],
    ),
    "column binary cut inside a card": (
        {"kind": "column-binary"}, BINARY[:-1], BINARY, ["ends inside card 40", "159 of the 160"],
    ),
    "a descriptor word that can be none": (
        VARIABLE, words(CARDS[:9]) + b"\x00\x54\x07\x07" + words(CARDS[9:]), words(CARDS),
        ["at byte 756 (card 10)", "ends in 07 07 where two zero bytes must stand", "check form"],
    ),
    "a record that is cut short": (
        VARIABLE, words(CARDS)[:-9], words(CARDS), ["ends inside card 40", "begins at byte 3,276"],
    ),
    "records that are parts of longer ones": (
        VARIABLE, words(CARDS[:2]) + b"\x00\x54\x01\x00" + CARDS[2], words(CARDS),
        ["is part of a spanned record", "(card 3)"],
    ),
    "labels that count other blocks": (
        {"kind": "records", "labels": "standard"}, tape("000007"), tape("000001"),
        ["holds 1 blocks, but its label EOF1 counts 7", "check the copy"],
    ),
    "a gzip cut short": (
        ZIPPED, gzip.compress(TEXT, mtime=0)[:-20], gzip.compress(TEXT, mtime=0),
        ["is a damaged gzip", "fetch it again"],
    ),
    "a gzip that expands without end": (
        {**ZIPPED, "limit": 1_000_000}, gzip.compress(bytes(4_000_000)), gzip.compress(TEXT),
        ["expands to more than 1,000,000 bytes", "set a larger limit"],
    ),
    "an archive in an archive": (
        ZIPPED, zipped({"a.zip": zipped({"a": TEXT})}), zipped({"a": TEXT}),
        ["a zip with a zip inside", "unwrap it once by hand"],
    ),
    "an archive of several files": (
        ZIPPED, tarred({"a": TEXT, "../b": TEXT}), tarred({"../b": TEXT}),
        ["holds 2 files: 'a', '../b'", "name one with member"],
    ),
    "an archive without a file": (
        ZIPPED, zipped({"folder/": b""}), zipped({"folder/": b"", "a": TEXT}),
        ["an archive without a file in it"],
    ),
    "a transcript of more columns than a card": (
        {**HOLES, "longer": "error"}, LINES + b"12\n" * 81, LINES,
        ["more than 80 columns in card 4", "set a larger record_length"],
    ),
    "nothing at all": ({"kind": "text"}, b"", TEXT, ["holds no cards"]),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_a_bad_deck_is_refused_and_its_twin_is_read(name, attempt) -> None:
    medium, bad, good, words_said = REFUSED[name]
    code, sentence, _ = attempt(medium, bad)
    assert code == 4
    assert "box 7" in sentence
    for part in words_said:
        assert part in sentence, sentence
    code, sentence, control = attempt(medium, good)
    assert code == 0, sentence
    assert control["equation"]["holds"]


RETURNED: dict[str, tuple[dict[str, Any], bytes, int, int, set[str]]] = {
    # medium, deck, cards, of these returned, reasons
    "text that is really binary": (
        {"kind": "text"}, TEXT + NOISE[:400].replace(b"\n", b"") + b"\n", 41, 1, {"long-line"},
    ),
    "control characters in a line": (
        {"kind": "text"}, TEXT + b"0000\x00\x01\x02\n", 41, 1, {"control-character"},
    ),
    "bits that belong to no row": (
        {"kind": "column-binary"}, BINARY + b"\xff\xff" * 80, 41, 1, {"spare-bits"},
    ),
    "a record that is too long": (
        VARIABLE, words([*CARDS, b"1" * 200]), 41, 1, {"long-record"},
    ),
    "a line that names no rows": (
        HOLES, LINES + b"\n".join([b"0-8-3"] * 79) + b"\nFIVE\n", 4, 1, {"unreadable-line"},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", RETURNED)
def test_a_bad_card_comes_back_and_the_others_go_on(name, attempt) -> None:
    medium, data, cards, bad, expected = RETURNED[name]
    code, sentence, control = attempt(medium, data)
    assert code == 0, sentence
    assert control["equation"]["holds"]
    reasons = [one for one in control["reasons"] if one["severity"] == "fatal"]
    assert {one["reason"] for one in reasons} >= expected
    first = control["stages"][0]
    assert (first["in"], first["returned"]) == (cards, bad)


def test_decks_on_two_media_are_not_taken_for_one(tmp_path, shop, attempt) -> None:
    # stacked: the second is no text; one behind the other in a file: only what is read as cards is
    code, sentence, _ = attempt({"kind": "text"}, BLOCKS * 30)
    assert code == 4
    assert "'blocks'" in sentence
    first, second = shop.deck(tmp_path / "a", TEXT), shop.deck(tmp_path / "b", BLOCKS)
    said = shop.say("examine", first, second)
    assert said.code == 4
    assert "is not as 'a' is" in said.err
    assert shop.say("examine", first, shop.deck(tmp_path / "c", TEXT)).code == 0


@pytest.mark.parametrize("data", [NOISE, NOISE[:999], bytes(8_000), b"\xff" * 8_000])
def test_bytes_that_are_no_cards_are_never_called_a_deck(tmp_path, shop, data) -> None:
    said = shop.say("examine", shop.deck(tmp_path / "noise", data), "--brief")
    assert said.code in (0, 4)
    if said.code:
        assert "noise" in said.err
    else:
        assert "What it lies on is not certain." in said.out


def test_an_archive_of_a_hundred_thousand_names_is_refused_before_they_are_read(
    tmp_path, shop, attempt
) -> None:
    # written by hand: so many members take long to write
    entry = b"PK\x01\x02" + bytes(24) + b"\x05\x00" + bytes(16)
    directory = b"".join(entry + b"n%04d" % (number % 9_999) for number in range(100_000))
    end = b"PK\x05\x06" + bytes(4) + b"\xff\xff" * 2 + len(directory).to_bytes(4, "little")
    many = b"PK\x03\x04" + bytes(26) + directory + end + (30).to_bytes(4, "little") + bytes(2)
    tracemalloc.start()
    try:
        code, sentence, _ = attempt(ZIPPED, many)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert code == 4
    assert "is a zip of more than 1,000 members; give the deck alone" in sentence
    assert peak < 4 * len(many)
    said = shop.say("examine", tmp_path / "box 7")
    assert said.code == 4
    assert "is a zip of more than 1,000 members" in said.err
    assert attempt(ZIPPED, zipped({"n0001": TEXT}))[0] == 0


def test_names_that_lead_elsewhere_are_never_used_as_paths(tmp_path, shop) -> None:
    inner = tmp_path / "inside"
    inner.mkdir()
    for data in (zipped({"../../out": TEXT}), tarred({"/etc/out": TEXT})):
        deck = shop.deck(inner / "deck", data)
        before = sorted(tmp_path.rglob("*"))
        assert "40 cards" in shop.say("examine", deck).out
        assert sorted(tmp_path.rglob("*")) == before


MEDIA: list[tuple[dict[str, Any], bytes]] = [
    ({"kind": "text", "code": "ascii"}, TEXT),
    (EBCDIC, BLOCKS),
    ({"kind": "column-binary"}, BINARY),
    (VARIABLE, words(CARDS)),
    ({"kind": "records", "labels": "standard"}, tape("000001")),
    (HOLES, LINES),
]


@pytest.mark.parametrize(("options", "data"), MEDIA, ids=lambda one: str(one)[:24])
def test_a_deck_that_shrinks_while_it_is_read_is_named(tmp_path, options, data) -> None:
    deck = tmp_path / "deck"
    deck.write_bytes(data)
    medium = Media().medium(options)
    survey = medium.survey(deck, 3)
    whole = [tray for span in survey.spans for tray in medium.read(deck, span, 2)]
    assert sum(len(tray.text) for tray in whole) == survey.cards
    deck.write_bytes(data[: len(data) // 3])
    with pytest.raises(UnreadableDeckError, match=r"became shorter|changed while|ends|labels") as e:
        _read_all(medium, deck, survey.spans)
    assert str(deck) in str(e.value)


def _read_all(medium: Any, deck: Path, spans: list[Any]) -> None:
    for span in spans:
        list(medium.read(deck, span, 2))


def test_a_folder_of_pictures_that_changes_while_it_is_read_is_named(
    tmp_path, shop, monkeypatch
) -> None:
    image = pytest.importorskip("PIL.Image")
    folder = tmp_path / "scans"
    folder.mkdir()
    for number in range(3):
        image.new("L", (300, 140), 200).save(folder / f"{number}.png")
    said = shop.say("examine", folder, "--brief")
    assert said.code == 0
    assert "3 cards" in said.out
    pictures = Media().configs.registry.medium("pictures")
    survey = pictures.survey

    def shrinking(self, deck, cards_a_span):
        found = survey(self, deck, cards_a_span)
        (folder / "1.png").unlink(missing_ok=True)
        return found

    monkeypatch.setattr(pictures, "survey", shrinking)
    said = shop.say("examine", folder, "--brief")
    assert "Traceback" not in said.err
    assert said.code == 4
    assert "scans' was changed while it was read; run again when nothing writes" in said.err


@pytest.mark.skipif(sys.platform != "linux", reason="limits of a process")
def test_a_bomb_is_refused_in_little_memory(tmp_path, shop) -> None:
    # 1 GiB of zeros in a mebibyte: read piece by piece, stopped at 100 times its size
    pieces = gzip.compress(bytes(1 << 20), 9) * 1_024
    deck = shop.deck(tmp_path / "bomb", pieces)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    said = shop.say("examine", deck)
    assert said.code == 4
    assert "expands to more than 100 times its size" in said.err
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 200_000  # KiB
