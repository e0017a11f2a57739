"""Inputs that a long fuzz kept are read again: cards or one sentence, as they were then.

Each line of `corpus/KIND.txt` is the shortest input that showed something that no other had shown:
the name of its reader, whether it was read or refused, the input in Base64 (see `media.py`).
"""

from __future__ import annotations

import base64
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from deckwright.errors import DeckError, StageError
from deckwright.examine.opening.opening import Media, open_deck
from fuzz.decks import readers
from fuzz.media import judge

CORPUS = Path(__file__).parent / "corpus"
KINDS = ["text", "blocks", "column-binary", "records", "transcript", "wrapped"]


def inputs(kind: str) -> Iterator[tuple[str, str, bytes]]:
    """Yield reader, outcome and input of a corpus."""
    for line in (CORPUS / f"{kind}.txt").read_text(encoding="ascii").splitlines():
        name, outcome, data = line.split("\t")
        yield name, outcome, base64.b64decode(data, validate=True)


@pytest.mark.parametrize("kind", KINDS)
def test_what_a_long_fuzz_kept_is_read_or_refused_as_then(kind, tmp_path) -> None:
    expanded, deck = tmp_path / "expanded", tmp_path / "deck"
    expanded.mkdir()
    found = {reader.name: reader.medium for reader in readers(expanded)[kind]}
    seen = {"read": 0, "refused": 0}
    for name, outcome, data in inputs(kind):
        deck.write_bytes(data)
        assert judge(found[name], deck, random.Random(7)).startswith(outcome), (name, data)
        seen[outcome] += 1
        for path in expanded.iterdir():
            path.unlink()
    assert min(seen.values()) >= 1


def test_what_examine_kept_is_opened_as_then_or_refused_in_a_sentence(tmp_path) -> None:
    deck, media = tmp_path / "deck", Media()
    for _, outcome, data in inputs("examine"):
        deck.write_bytes(data)
        try:
            open_deck(deck, media, None, None)
        except StageError:  # a medium that raises by mistake
            raise
        except DeckError:
            # what could be opened may still be refused where it is read to its end
            assert outcome == "refused", data


def test_the_corpus_stays_small() -> None:
    assert sum(path.stat().st_size for path in CORPUS.iterdir()) < 100_000
