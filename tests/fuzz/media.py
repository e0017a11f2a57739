"""A long fuzz of every reader of media: cards or one sentence, whatever the bytes.

    PYTHONPATH=tests python -m fuzz.media --inputs 1000000 [--seed 1] [--reader records]

An input is a good deck with faults of the kind that its medium can have (see `mutation`), and
half of the time one that an earlier input led to: inputs that show something new (a new sentence, a
new set of oddities) are changed further. Each is surveyed and read; one in five is read again in
spans and trays of a few cards, and must give the same cards. A reader may refuse with an
`UnreadableDeckError` of one printable line; anything else stops the run, and the input is kept as
`fuzz-READER.deck` in the folder that is given with --keep. `examine` stands for the opening of
`deckwright examine`, with its whole pages for one input in ten.

With --corpus the shortest input of each kind of outcome is written to `corpus/READER.txt`, one a
line; `test_corpus.py` reads them again.
"""

from __future__ import annotations

import argparse
import base64
import random
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from deckwright import Medium, RawTray, UnreadableDeckError
from deckwright.errors import DeckError, StageError
from deckwright.examine.deck import examine
from deckwright.examine.opening.opening import Media, open_deck
from deckwright.examine.show.page import deck_report
from fuzz.decks import Reader, draw, every_good_deck, readers
from fuzz.mutation import changed

CORPUS = Path(__file__).parent / "corpus"
_TWICE = 0.2
_WHOLE = 0.1  # of the inputs of `examine`, that are examined to the page
_POOL = 400
_TOLD = 50_000
_MOST_KEPT = 60  # outcomes of one reader in the corpus
_NUMBER = re.compile(r"'[^']*'|\"[^\"]*\"|[\d,]*\d|[0-9A-F]{2}\b")


def judge(medium: Medium[Any], deck: Path, dice: random.Random) -> str:
    """Read a deck; return what it showed: its oddities, or the sentence that refuses it."""
    try:
        survey, trays = _read(medium, deck, 1000, 1000)
        if dice.random() < _TWICE:
            _, again = _read(medium, deck, dice.randrange(1, 7), dice.randrange(1, 7))
            _must_be_same(trays, again)
    except UnreadableDeckError as error:
        return _refused(error)
    cards = sum(len(tray.text) for tray in trays)
    if cards != survey.cards or not cards:
        raise AssertionError(f"{cards} cards were read where {survey.cards} were counted")
    if any(tray.text.shape[1] != survey.width for tray in trays):
        raise AssertionError(f"a tray is not {survey.width} columns wide")
    odd = sorted({f"{one.reason}/{one.severity}" for tray in trays for one in tray.odd})
    short = "short " if any(tray.lengths is not None for tray in trays) else ""
    return f"read: {short}{' '.join(odd)}"


def judge_examine(deck: Path, media: Media, dice: random.Random) -> str:
    """Open a deck as `examine` does; return what it is taken for."""
    try:
        opened = open_deck(deck, media, None, None)
        if dice.random() < _WHOLE:
            deck_report(examine([deck]))
    except StageError:  # a medium that raises by mistake
        raise
    except DeckError as error:
        return _refused(error)
    sure = "" if opened.inner is not None else "asked: "
    options = {key: value for key, value in opened.options.items() if key != "record_length"}
    return f"read: {sure}{options}"


def main() -> None:
    """Fuzz the readers that are asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=10_000, help="inputs for each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--reader", help="one kind only")
    parser.add_argument("--keep", type=Path, default=Path(), help="folder for an input that fails")
    parser.add_argument("--work", type=Path, help="folder for work files, best in memory")
    parser.add_argument("--corpus", action="store_true", help="write the corpus")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.work) as name:
        folder = Path(name)
        (folder / "expanded").mkdir()
        for kind, found in readers(folder / "expanded").items():
            if asked.reader in {None, kind}:
                _fuzz(kind, found, asked, folder)
        if asked.reader in {None, "examine"}:
            _fuzz_examine(asked, folder)


def _fuzz(kind: str, found: list[Reader], asked: argparse.Namespace, folder: Path) -> None:
    dice = random.Random(asked.seed)
    expanded = folder / "expanded"

    def one(number: int, pool: list[bytes], deck: Path) -> tuple[str, str]:
        reader = found[number % len(found)]
        data = draw(reader, pool, dice)
        if reader.wrap and dice.random() < 0.5:
            data = reader.wrap(changed(dice.choice(reader.goods), reader.inner, dice))
        elif reader.wrap and data in reader.goods:
            data = changed(reader.wrap(data), kind, dice)
        else:
            data = changed(data, kind, dice)
        deck.write_bytes(data)
        shown = judge(reader.medium, deck, dice)
        if reader.wrap:
            for path in expanded.iterdir():
                path.unlink()
        return reader.name, shown

    _loop(kind, asked, folder, one)


def _fuzz_examine(asked: argparse.Namespace, folder: Path) -> None:
    dice, media = random.Random(asked.seed), Media()
    goods = every_good_deck()

    def one(_: int, pool: list[bytes], deck: Path) -> tuple[str, str]:
        good = dice.choice(pool) if pool and dice.random() < 0.5 else dice.choice(goods)
        deck.write_bytes(changed(good, "examine", dice))
        return "examine", judge_examine(deck, media, dice)

    _loop("examine", asked, folder, one)


def _loop(
    kind: str,
    asked: argparse.Namespace,
    folder: Path,
    one: Callable[[int, list[bytes], Path], tuple[str, str]],
) -> None:
    deck = folder / "deck"
    started, read = time.monotonic(), 0
    pool: list[bytes] = []
    best: dict[tuple[str, str], bytes] = {}
    for number in range(asked.inputs):
        try:
            key = one(number, pool, deck)
        except Exception:
            shutil.copy(deck, asked.keep / f"fuzz-{kind}.deck")
            sys.stderr.write(f"{kind}: input {number} of seed {asked.seed} failed\n")
            raise
        read += key[1].startswith("read")
        if number % _TOLD == _TOLD - 1:
            print(f"{kind}: {number + 1:,} inputs so far", file=sys.stderr, flush=True)
        if key not in best:
            data = deck.read_bytes()
            best[key] = data
            if len(pool) < _POOL:
                pool.append(data)
        elif asked.corpus and deck.stat().st_size < len(best[key]):
            best[key] = deck.read_bytes()
    seconds = time.monotonic() - started
    print(
        f"{kind}: {asked.inputs:,} inputs, {read:,} read, {len(best)} kinds of outcome, "
        f"{seconds:.0f} s",
        flush=True,
    )
    if asked.corpus:
        _write_corpus(kind, best)


def _write_corpus(kind: str, best: dict[tuple[str, str], bytes]) -> None:
    CORPUS.mkdir(exist_ok=True)
    kept = sorted(best, key=lambda key: (len(best[key]), key))[: _MOST_KEPT * 2]
    lines = [
        f"{name}\t{shown.split(':')[0]}\t{base64.b64encode(best[name, shown]).decode()}\n"
        for name, shown in sorted(kept)
    ]
    (CORPUS / f"{kind}.txt").write_text("".join(lines), encoding="ascii", newline="\n")


def _read(medium: Medium[Any], deck: Path, span: int, tray: int) -> tuple[Any, list[RawTray]]:
    survey = medium.survey(deck, span)
    return survey, [one for part in survey.spans for one in medium.read(deck, part, tray)]


def _must_be_same(trays: list[RawTray], again: list[RawTray]) -> None:
    for part in ("text", "holes"):
        ours, theirs = ([getattr(tray, part) for tray in one] for one in (trays, again))
        if ours[0] is not None and not np.array_equal(np.concatenate(ours), np.concatenate(theirs)):
            raise AssertionError(f"the {part} is another when the deck is cut otherwise")
    ours, theirs = (
        sorted(
            (tray.first_card + int(row), odd.reason, odd.detail)
            for tray in one
            for odd in tray.odd
            for row in odd.rows
        )
        for one in (trays, again)
    )
    if ours != theirs:
        raise AssertionError("the oddities are others when the deck is cut otherwise")


def _refused(error: Exception) -> str:
    if not str(error).isprintable():
        raise AssertionError(f"a sentence that is not one printable line: {error!r}") from error
    said = str(error).partition("'")[2].partition("' ")[2]
    return f"refused: {_NUMBER.sub('#', said)[:120]}"


if __name__ == "__main__":
    main()
