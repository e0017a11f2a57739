"""The contract for media, held by those of the program, and what it finds in wrong ones."""

from __future__ import annotations

import gzip
import textwrap

import numpy as np
import pytest

from deckwright.cards.codes import load_code
from deckwright.testing import MediumContract, example_deck
from deckwright_plugins.media.text.medium import TextLines

LINES = example_deck(30)
CARDS = np.array([list(line) for line in LINES.split(b"\n")[:-1]], np.uint8)
HOLES = load_code("ebcdic").to_holes[CARDS]


class TestText(MediumContract):
    options = {"kind": "text"}  # noqa: RUF012 # as the guide shows it

    def deck(self) -> bytes:
        return LINES


class TestTextOfSeveralLengths(MediumContract):
    options = {"kind": "text"}  # noqa: RUF012

    def deck(self) -> bytes:
        return b"".join(line.rstrip() + b"\r\n" for line in LINES.split(b"\n")[:-1])


class TestBlocks(MediumContract):
    options = {"kind": "blocks", "code": "cp037"}  # noqa: RUF012

    def deck(self) -> bytes:
        return LINES.replace(b"\n", b"").decode().encode("cp037")


class TestColumnBinary(MediumContract):
    options = {"kind": "column-binary"}  # noqa: RUF012

    def deck(self) -> bytes:
        # a column is two bytes of six rows each in the low bits, the upper rows first
        upper, lower = HOLES >> 6, HOLES & 0x3F
        return np.stack([upper, lower], axis=-1).astype(np.uint8).tobytes()


class TestTranscript(MediumContract):
    options = {"kind": "transcript"}  # noqa: RUF012

    def deck(self) -> bytes:
        rows = ["12", "11", "0", *map(str, range(1, 10))]
        cards = []
        for card in HOLES.tolist():
            columns = [
                "-".join(row for bit, row in enumerate(rows) if pattern >> (11 - bit) & 1)
                for pattern in card
            ]
            cards.append("".join(f"{column or 'blank'}\n" for column in columns))
        return "\n".join(cards).encode()


class TestRecords(MediumContract):
    options = {"kind": "records", "form": "variable", "code": "cp037"}  # noqa: RUF012

    def deck(self) -> bytes:
        records = [line.decode().rstrip().encode("cp037") for line in LINES.split(b"\n")[:-1]]
        return b"".join((len(r) + 4).to_bytes(2, "big") + b"\0\0" + r for r in records)


class TestWrapped(MediumContract):
    options = {"kind": "wrapped", "inside": {"kind": "text"}, "wrapped": "gzip"}  # noqa: RUF012
    same_bytes = False

    def deck(self) -> bytes:
        return gzip.compress(LINES, mtime=0)


WRONG = '''
"""A medium of JSON lines with a fault."""

import json

import numpy as np

from deckwright import Medium, MediumConfig, RawTray, Span, Survey, cut_spans, hookimpl


class WrongConfig(MediumConfig):
    """Cards as JSON texts, one a line."""


class Wrong(Medium[WrongConfig]):
    kind = "wrong"

    def survey(self, deck, cards_a_span):
        lines = deck.read_bytes().count(b"\\n")
        spans = [Span(i, 0, 0, first + 1, min(cards_a_span, lines - first))
                 for i, first in enumerate(range(0, lines, cards_a_span))]
        return Survey(lines, 80, spans)

    def read(self, deck, span, cards_a_tray):
        lines = deck.read_text().splitlines()[span.first_card - 1:][:span.cards]
        for start in range(0, span.cards, cards_a_tray):
            some = lines[start:start + cards_a_tray]
            text = np.array([list(json.loads(line).ljust(80).encode()) for line in some], np.uint8)
            FAULT
            yield RawTray(span.first_card + start, text, None, None, [])

    def encode(self, text, holes, lengths, alphabet):
        lines = (json.dumps(bytes(card).decode().rstrip()) for card in text)
        return "".join(f"{line}\\n" for line in lines).encode()


@hookimpl
def deckwright_media():
    return [Wrong]
'''
FAULTS = {
    "nothing": ("pass", ""),
    "a mark on the first card of each tray": ("text[0, 79] = 65", "the text of card"),
    "cards of a tray the other way round": ("text = text[::-1]", "the text of card"),
    "a tray that is too large": ("text = np.repeat(text, 2, axis=0)", "reading gives"),
    "cards left out": ("text = text[:-1]", "a tray begins with card|reading gives"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_the_contract_finds_what_depends_on_the_cut(fault, tmp_path) -> None:
    code, said = FAULTS[fault]
    (tmp_path / "wrong.py").write_text(textwrap.dedent(WRONG).replace("FAULT", code), "utf-8")

    class Contract(MediumContract):
        options = {"kind": "wrong"}  # noqa: RUF012
        plugins = ("wrong.py",)

        def deck(self) -> bytes:
            return b"".join(b'"%05d"\n' % n for n in range(20))

    if not said:
        Contract().test_any_cut_gives_the_same_cards(tmp_path)
        Contract().test_what_is_written_reads_back_as_the_same_cards(tmp_path)
        return
    with pytest.raises(AssertionError, match=said):
        Contract().test_any_cut_gives_the_same_cards(tmp_path)


def test_a_medium_with_the_old_name_of_use_folder_is_warned_of_and_given_its_folder(tmp_path):
    with pytest.warns(DeprecationWarning, match="settle_in is called use_folder now"):

        class Old(TextLines):
            def settle_in(self, folder) -> None:
                self.folder = folder

    made = Old(Old.config_model(), load_code("latin-1"))
    made.use_folder(tmp_path)
    assert made.folder == tmp_path
