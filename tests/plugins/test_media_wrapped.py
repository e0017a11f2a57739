"""Compressed and archived decks: counted, one deck, never a path."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import tarfile
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from deckwright import Medium, OptionProblem, UnreadableDeckError
from deckwright.cards.codes import load_code
from deckwright.errors import PluginFailedError
from deckwright_plugins.media.blocks import Blocks
from deckwright_plugins.media.column_binary import ColumnBinary
from deckwright_plugins.media.records.medium import Records
from deckwright_plugins.media.text.medium import TextLines
from deckwright_plugins.media.transcript.medium import Transcript
from deckwright_plugins.media.wrapped import Wrapped
from deckwright_plugins.shared import unwrap
from media_help import (
    medium,
    must_be_one_sentence,
    property_test,
    read,
    same_however_cut,
    trays,
    whole,
)

KINDS = {kind.kind: kind for kind in (TextLines, Blocks, ColumnBinary, Records, Transcript)}
WRAPPINGS = ["gzip", "zstd", "xz", "bzip2", "zip", "tar"]
each_wrapping = pytest.mark.parametrize("wrapping", WRAPPINGS)
CARDS = b"".join(b"%-80d\n" % n for n in range(40))
TEXT = {"kind": "text"}


def make(options: Mapping[str, Any]) -> Medium[Any]:
    """Return the medium that a table describes."""
    kind = KINDS[options["kind"]]
    config = kind.config_model(**options)
    return kind(config, load_code(config.code))


def wrapped(inside: Mapping[str, Any] = TEXT, **options: Any) -> Wrapped:
    """Return a wrapped medium."""
    return medium(Wrapped, inside=dict(inside), **options).with_media(make)


def wrap(wrapping: str, data: bytes, name: str = "deck.txt", **more: bytes) -> bytes:
    """Return bytes wrapped."""
    buffer = io.BytesIO()
    if wrapping == "gzip":
        return gzip.compress(data, mtime=0)
    if wrapping == "zstd":
        return zstandard.ZstdCompressor().compress(data)
    if wrapping == "xz":
        return lzma.compress(data)
    if wrapping == "bzip2":
        return bz2.compress(data)
    members = {name: data, **more}
    if wrapping == "zip":
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            for member, content in members.items():
                archive.writestr(member, content)
        return buffer.getvalue()
    with tarfile.open(fileobj=buffer, mode="w") as archive:
        for member, content in members.items():
            info = tarfile.TarInfo(member)
            info.size = len(content)
            archive.addfile(info, io.BytesIO(content))
    return buffer.getvalue()


@each_wrapping
@pytest.mark.parametrize("asked", ["auto", "same"])
def test_a_wrapped_deck_reads_like_the_deck_inside(tmp_path, wrapping, asked) -> None:
    plain, deck = tmp_path / "plain", tmp_path / "deck"
    plain.write_bytes(CARDS)
    deck.write_bytes(wrap(wrapping, CARDS))
    asked = wrapping if asked == "same" else asked
    uncut = same_however_cut(lambda: wrapped(wrapped=asked), deck, 7, 3)
    assert whole(uncut) == whole(trays(make(TEXT), plain)[1])


@property_test
@given(
    st.sampled_from(["auto", *WRAPPINGS, "none"]),
    st.sampled_from(sorted(KINDS)),
    st.integers(1, 12),
    st.integers(1, 5),
)
def test_what_is_written_reads_back_as_the_same_cards(tmp_path, how, kind, cards, seed) -> None:
    made = wrapped({"kind": kind, "record_length": 6}, wrapped=how)
    text = np.random.default_rng(seed).choice(np.frombuffer(b"A1 Z", np.uint8), (cards, 6))
    pieces = [made.encode(text[n : n + 2], None, None, made.code.alphabet) for n in (0, 2, 4)]
    pieces.append(made.encode(text[6:], None, None, made.code.alphabet))
    found = read(made, tmp_path / "deck", b"".join(pieces))
    assert (found.text == text).all()
    assert made.encode(text[:0], None, None, made.code.alphabet) == b""


def test_written_decks_are_the_same_bytes_every_time() -> None:
    text = np.full((9, 80), 65, np.uint8)
    for how in ("gzip", "zstd", "xz", "bzip2"):
        made = wrapped(wrapped=how)
        once, twice = (made.encode(text, None, None, made.code.alphabet) for _ in range(2))
        assert once == twice
        assert (made.suffix(), made.card_bytes()) == (
            {"gzip": "txt.gz", "zstd": "txt.zst", "xz": "txt.xz", "bzip2": "txt.bz2"}[how], None
        )  # fmt: skip


def test_code_and_length_are_those_of_the_medium_inside(tmp_path) -> None:
    made = wrapped({"kind": "blocks", "record_length": 6})
    assert (made.code.name, made.config.record_length) == ("cp037", 6)
    assert wrapped({"kind": "blocks"}, code="cp500").code.name == "cp500"
    assert wrapped({"kind": "blocks"}, wrapped="none").card_bytes() == 80
    with pytest.raises(PluginFailedError, match="needs with_media"):
        medium(Wrapped, inside=TEXT).survey(tmp_path / "x", 1)


def test_a_returned_record_and_its_line_end_are_written_like_the_deck(tmp_path) -> None:
    (tmp_path / "deck").write_bytes(gzip.compress(CARDS.replace(b"\n", b"\r\n")))
    like = wrapped(wrapped="gzip").like(tmp_path / "deck")
    assert gzip.decompress(like.record(b"long")) == b"long\r\n"


def test_all_processes_of_a_run_share_one_expanded_file(tmp_path) -> None:
    (tmp_path / "deck").write_bytes(gzip.compress(CARDS))
    bench = tmp_path / "bench"
    bench.mkdir()
    for _ in range(2):
        made = wrapped()
        made.use_folder(bench)
        survey, _ = trays(made, tmp_path / "deck")
        assert survey.cards == 40
        assert [path.read_bytes() for path in bench.iterdir()] == [CARDS]


def test_expanded_files_go_when_the_medium_goes(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    (tmp_path / "deck").write_bytes(gzip.compress(CARDS))
    made = wrapped()
    made.survey(tmp_path / "deck", 9)
    assert len(list(tmp_path.iterdir())) == 2
    del made
    assert [path.name for path in tmp_path.iterdir()] == ["deck"]


@each_wrapping
def test_one_wrapping_is_opened_and_no_more(tmp_path, wrapping) -> None:
    for inner in WRAPPINGS:
        (tmp_path / "deck").write_bytes(wrap(wrapping, wrap(inner, CARDS)))
        if wrapping not in {"zip", "tar"} and inner == "tar":
            # what everyone calls a compressed tar is one wrapping
            assert wrapped().survey(tmp_path / "deck", 9).cards == 40
            continue
        with pytest.raises(UnreadableDeckError, match=f"a {wrapping} with a {inner} inside"):
            wrapped().survey(tmp_path / "deck", 9)
    with pytest.raises(ValidationError, match="only one wrapping"):
        Wrapped.config_model(inside={"kind": "wrapped"})


@pytest.mark.slow
@each_wrapping
def test_expansion_stops_at_the_limit_and_at_a_hundred_times(
    tmp_path, wrapping, monkeypatch
) -> None:
    (tmp_path / "deck").write_bytes(wrap(wrapping, CARDS * 9))
    with pytest.raises(UnreadableDeckError, match="expands to more than 100 bytes; set a larger"):
        wrapped(limit=100).survey(tmp_path / "deck", 9)
    if wrapping == "tar":
        return
    monkeypatch.setattr(unwrap, "FREE", 1 << 21)
    (tmp_path / "deck").write_bytes(wrap(wrapping, bytes(40 << 20)))
    with pytest.raises(UnreadableDeckError, match="more than 100 times its size and 2,097,152"):
        wrapped({"kind": "blocks"}).survey(tmp_path / "deck", 9)


@pytest.mark.parametrize("wrapping", ["zip", "tar"])
def test_several_members_are_listed_and_one_can_be_named(tmp_path, wrapping) -> None:
    deck = tmp_path / "deck"
    others = {"../../etc/pass\nwd": b"1\n", "/b\u202e": b"2\n"}
    deck.write_bytes(wrap(wrapping, CARDS, **others))
    with pytest.raises(UnreadableDeckError) as caught:
        wrapped().survey(deck, 9)
    said = str(caught.value)
    assert said.isprintable()
    assert r"holds 3 files: 'deck.txt', '../../etc/pass\nwd', '/b\u202e'; name one" in said
    assert wrapped(member="deck.txt").survey(deck, 9).cards == 40
    assert wrapped(member="../../etc/pass\nwd").survey(deck, 9).cards == 1
    with pytest.raises(UnreadableDeckError, match=r"holds no member 'none', but 'deck.txt'"):
        wrapped(member="none").survey(deck, 9)
    assert {path.name for path in tmp_path.iterdir()} == {"deck"}


@pytest.mark.parametrize("wrapping", ["zip", "tar"])
def test_an_archive_of_many_names_or_of_none_is_refused(tmp_path, wrapping) -> None:
    deck = tmp_path / "deck"
    deck.write_bytes(wrap(wrapping, CARDS, **{f"n{n}": b"" for n in range(1_001)}))
    with pytest.raises(UnreadableDeckError, match="of more than 1,000 members"):
        wrapped().survey(deck, 9)
    deck.write_bytes(wrap(wrapping, b"", name="folder/") if wrapping == "zip" else _link())
    with pytest.raises(UnreadableDeckError, match="an archive without a file in it"):
        wrapped().survey(deck, 9)


def _link() -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as archive:
        info = tarfile.TarInfo("deck.txt")
        info.type, info.linkname = tarfile.SYMTYPE, "/etc/passwd"
        archive.addfile(info)
    return buffer.getvalue()


def test_members_that_cannot_be_read_safely_are_refused(tmp_path) -> None:
    deck = tmp_path / "deck"
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("deck.txt", CARDS)
    deck.write_bytes(buffer.getvalue())
    with pytest.raises(UnreadableDeckError, match="neither stored nor deflated"):
        wrapped().survey(deck, 9)
    data = bytearray(wrap("zip", CARDS))
    data[data.index(b"PK\x01\x02") + 8] |= 1  # the flag of encryption, in the central directory
    deck.write_bytes(data)
    with pytest.raises(UnreadableDeckError, match="is an encrypted zip"):
        wrapped().survey(deck, 9)


@each_wrapping
@pytest.mark.parametrize("cut", [1, 5, 200])
def test_a_truncated_deck_is_one_sentence(tmp_path, wrapping, cut) -> None:
    noise = np.random.default_rng(1).integers(65, 91, 4000).astype(np.uint8).tobytes()
    data = wrap(wrapping, noise)
    # a tar ends in blocks of zeros that may be missing
    end = len(data) if wrapping != "tar" else 512 + 4000
    (tmp_path / "deck").write_bytes(data[: end - cut])
    with pytest.raises(UnreadableDeckError, match=f"is a damaged {wrapping}"):
        wrapped(wrapped=wrapping).survey(tmp_path / "deck", 9)


@pytest.mark.parametrize(
    ("asked", "data", "words"),
    [
        ("gzip", CARDS, "does not begin as a gzip does; set wrapped = 'auto'"),
        ("zip", wrap("gzip", CARDS), "is a gzip, not a zip"),
        ("gzip", b"", "holds no cards"),
        ("auto", b"", "holds no cards"),
        ("auto", wrap("gzip", b""), "holds no cards"),
        ("auto", wrap("gzip", b"A" * 40_000), "'deck' has no line end in its first 40,000 bytes"),
    ],
)
def test_what_is_not_as_it_was_said_is_named(tmp_path, monkeypatch, asked, data, words) -> None:
    monkeypatch.chdir(tmp_path)
    deck = Path("deck")
    deck.write_bytes(data)
    with pytest.raises(UnreadableDeckError, match=words):
        wrapped(wrapped=asked).survey(deck, 9)


def test_a_missing_package_is_named(tmp_path, monkeypatch) -> None:
    (tmp_path / "deck").write_bytes(wrap("zstd", CARDS))
    monkeypatch.setitem(__import__("sys").modules, "zstandard", None)
    with pytest.raises(UnreadableDeckError, match=r"needs the package zstandard; install .*zstd"):
        wrapped().survey(tmp_path / "deck", 9)
    with pytest.raises(OptionProblem, match=r"needs the package zstandard; install .*zstd"):
        wrapped(wrapped="zstd")


@property_test
@given(
    st.sampled_from(WRAPPINGS),
    st.lists(st.tuples(st.integers(0, 2**20), st.integers(0, 255)), max_size=6),
    st.integers(0, 400),
)
def test_any_damage_gives_cards_or_one_sentence(tmp_path, wrapping, flips, cut) -> None:
    data = bytearray(wrap(wrapping, CARDS[:810]))
    for place, value in flips:
        data[place % len(data)] = value
    deck = tmp_path / "deck"
    deck.write_bytes(data[: len(data) - cut] or b"\0")
    made = wrapped()
    try:
        survey, found = trays(made, deck, 3, 2)
    except UnreadableDeckError as error:
        must_be_one_sentence(error)
        return
    assert survey.cards == sum(len(part.text) for part in found)


def test_memory_stays_bounded_whatever_a_header_claims(tmp_path) -> None:
    # a pax header that says it is 4 GiB long
    info = tarfile.TarInfo("deck.txt")
    info.size, info.type = 4 << 30, tarfile.XHDTYPE
    (tmp_path / "deck").write_bytes(info.tobuf(tarfile.USTAR_FORMAT) + bytes(2048))
    with pytest.raises(UnreadableDeckError, match=r"is a damaged tar: .*claims too much"):
        wrapped().survey(tmp_path / "deck", 9)


@property_test
@given(st.lists(st.binary(max_size=3_000), min_size=1, max_size=4), st.integers(0, 3))
def test_streams_of_xz_one_behind_the_other_are_read_to_their_ends(tmp_path_factory, parts, gap):
    path = tmp_path_factory.mktemp("xz") / "deck.xz"
    parts[0] = b"1" + parts[0]  # no mark of another wrapping
    # bytes of zero may lie between two streams and behind the last, by fours
    path.write_bytes(b"".join(lzma.compress(part) + bytes(4 * gap) for part in parts))
    into = (path.parent / "out").open("wb")
    with into:
        unwrap.expand(path, "xz", "", 1 << 20, into)
    assert (path.parent / "out").read_bytes() == b"".join(parts)


def test_an_xz_that_asks_for_much_memory_or_is_no_xz_further_on_is_damaged(tmp_path) -> None:
    large = [{"id": lzma.FILTER_LZMA2, "preset": 0, "dict_size": 1 << 29}]
    deck = tmp_path / "deck"
    deck.write_bytes(lzma.compress(CARDS, filters=large))
    with pytest.raises(UnreadableDeckError, match="is a damaged xz: 'Memory usage limit"):
        wrapped().survey(deck, 100)
    for data in (lzma.compress(CARDS) + b"more", lzma.compress(CARDS)[:-20]):
        deck.write_bytes(data)
        with pytest.raises(UnreadableDeckError, match="is a damaged xz"):
            wrapped().survey(deck, 100)


def test_a_card_that_begins_as_bzip2_does_is_a_card(tmp_path) -> None:
    tray = read(wrapped(), tmp_path / "deck", f"{'BZh9 TONS':<80}\n".encode())
    assert bytes(tray.text[0][:9]) == b"BZh9 TONS"
