"""Decks of pictures: what is in them, and a few cards read to see how well they can be."""

from __future__ import annotations

import io
import os
import tarfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import ILLEGAL, CodeTable
from deckwright.cards.holes import PATTERNS
from deckwright.errors import UnreadableDeckError
from deckwright.examine.count.sampling import Sample
from deckwright.examine.model import PictureFacts
from deckwright.examine.opening.archives import names_in
from deckwright.examine.opening.outside import Media, picture_kind
from deckwright.examine.opening.zones import zones_fit
from deckwright.identify.mediaranking import rank_readable
from deckwright.identify.wrappings import wrapping_of
from deckwright.plugin.media import Medium

if TYPE_CHECKING:
    from deckwright.pictures.reader.reading import CardReading

MOST_READ = 24
"""Cards that are read, from all across the deck."""

SUFFIXES = {
    ".png": "PNG",
    ".jpg": "JPEG",
    ".jpeg": "JPEG",
    ".tif": "TIFF",
    ".tiff": "TIFF",
    ".bmp": "BMP",
    ".webp": "WebP",
}
"""Kinds of picture files by the end of their names."""

_HEAD = 512
_MOST_FILES = 100_000
_MOSTLY = 0.5
_PAGES = 3  # pictures that are looked at for several cards on one
_COLUMNS = 80


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """Some cards of decks of pictures.

    sample: those that were read without doubt, text in code `code`. odd: reason, sentence and card
    of all others.
    """

    facts: PictureFacts
    cards: Sequence[int]
    options: Mapping[str, object]
    code: CodeTable
    sample: Sample
    odd: Sequence[tuple[str, str, int]]


def pictures_in(deck: Path, media: Media) -> dict[str, int]:
    """Return how many picture files of which kind a deck holds; none where it is no such deck.

    A folder or an archive is one when most of its files are pictures, by their names.

    Raises:
        UnreadableDeckError: an archive is damaged, or holds too many files.
    """
    if deck.is_dir():
        return _mostly_pictures(_names_below(deck))
    if not deck.is_file():
        return {}
    with deck.open("rb") as file:
        head = file.read(_HEAD)
    if kind := picture_kind(head):
        return {kind: 1}
    return _mostly_pictures(names_in(deck, media)) if wrapping_of(head) else {}


def look_at_pictures(
    decks: Sequence[Path],
    media: Media,
    medium: Mapping[str, object] | None,
    code: str | None,
    kinds: Mapping[str, int],
) -> Looked:
    """Read a few cards of decks of pictures.

    Args:
        decks: files or folders.
        media: makes media.
        medium: the table `medium` of a job; None to find out.
        code: the code; None to find out.
        kinds: see `pictures_in`.

    Raises:
        OptionProblem: what reads pictures is not installed.
        UnreadableDeckError: a deck is damaged, or not as such decks must be.
    """
    options: dict[str, object] = {**(medium or {"kind": "pictures"})}
    options |= {"code": code} if code else {}
    made = media.medium(options)
    counts = [made.survey(deck, MOST_READ).cards for deck in decks]
    if "cards_a_picture" not in options and _are_pages(made, decks, counts):
        options["cards_a_picture"] = "auto"
        made = media.medium(options)
        counts = [made.survey(deck, MOST_READ).cards for deck in decks]
    places = [(deck, card) for deck, cards in zip(decks, counts, strict=True)
              for card in range(1, cards + 1)]  # fmt: skip
    chosen = np.unique(np.linspace(0, len(places) - 1, min(MOST_READ, len(places))).astype(int))
    read = [(int(number) + 1, *_read(made, *places[number])) for number in chosen]
    if all(one is None for _, one, _, _ in read):
        remedy = "copy it again; or say --medium, if it holds no pictures"
        what = f"holds pictures, of which none can be opened: the first {read[0][3]}"
        raise UnreadableDeckError(str(decks[0]), what, remedy)
    good = [(number, one) for number, one, _, _ in read if one is not None and not one.needs_person]
    holes = np.array([one.patterns for _, one in good], np.uint16).reshape(-1, _COLUMNS)
    table = media.code(str(options.get("code") or _best_code(holes, media)))
    options["code"] = table.name
    sample = _sample(holes, [number for number, _ in good], table, whole=len(good) == len(places))
    return Looked(_facts(kinds, read, len(good)), counts, options, table, sample, tuple(_odd(read)))


def _names_below(folder: Path) -> list[str]:
    names: list[str] = []
    for _, _, files in os.walk(folder):
        names += files
        if len(names) > _MOST_FILES:
            break
    return names


def _mostly_pictures(names: Sequence[str]) -> dict[str, int]:
    kinds = Counter(SUFFIXES.get(Path(name).suffix.lower(), "") for name in names)
    others = kinds.pop("", 0)
    return dict(kinds) if sum(kinds.values()) > _MOSTLY * (others + sum(kinds.values())) else {}


def _are_pages(made: Medium[Any], decks: Sequence[Path], counts: Sequence[int]) -> bool:
    """Return whether the first pictures show several cards each."""
    from deckwright.pictures.reader.pages import cards_on_page  # noqa: PLC0415 # loads heavy libraries

    firsts = [_picture(made, decks[0], card)[0] for card in range(1, min(_PAGES, counts[0]) + 1)]
    return any(image is not None and len(cards_on_page(image)) > 1 for image in firsts)


def _picture(made: Medium[Any], deck: Path, card: int) -> tuple[NDArray[np.uint8] | None, str]:
    """Return the picture of a card, or why it cannot be opened."""
    from deckwright.pictures.files.intake import (  # noqa: PLC0415 # loads heavy libraries
        PAGE_PIXELS,
        PictureError,
        load_picture,
    )

    try:
        data = b"".join(made.original(deck, card)) + bytes(2 * tarfile.BLOCKSIZE)
    except (OSError, IndexError) as error:
        what = "was changed while it was read"
        remedy = "examine it when nothing writes to it"
        raise UnreadableDeckError(str(deck), what, remedy) from error
    with tarfile.open(fileobj=io.BytesIO(data), mode="r:") as archive:
        first = archive.next()
        file = archive.extractfile(first) if first is not None else None
        if file is None:
            return None, "has no picture"
        try:
            return load_picture(io.BytesIO(file.read()), PAGE_PIXELS).image, ""
        except PictureError as error:
            return None, str(error)


def _read(
    made: Medium[Any], deck: Path, card: int
) -> tuple[CardReading | None, tuple[int, int], str]:
    """Return the reading of a card, the size of its picture in pixels, and why there is none."""
    from deckwright.pictures.reader.reading import read_card  # noqa: PLC0415 # loads heavy libraries

    image, why = _picture(made, deck, card)
    if image is None:
        return None, (0, 0), why
    cut = str(getattr(made.config, "cut", "ask")).replace("-", " ")
    # a look delivers nothing: by custom the upper left corner is cut
    cut = "upper left" if cut == "ask" else cut
    return read_card(image, cut=cast("Any", cut)), (image.shape[1], image.shape[0]), ""


def _best_code(holes: NDArray[np.uint16], media: Media) -> str:
    if not len(holes):
        return "ebcdic"
    ranking = rank_readable(holes, None, media.folders, zones_fit).ranking
    return ranking.candidates[0].name if ranking.sure else "ebcdic"


def _sample(
    holes: NDArray[np.uint16], cards: Sequence[int], code: CodeTable, *, whole: bool
) -> Sample:
    slots = np.full(PATTERNS, -1) if code.from_holes is None else code.from_holes
    text = np.where(slots >= 0, slots, ILLEGAL).astype(np.uint8)[holes]
    return Sample(text, holes, np.array(cards, np.int64), whole)


def _facts(
    kinds: Mapping[str, int],
    read: Sequence[tuple[int, CardReading | None, tuple[int, int], str]],
    good: int,
) -> PictureFacts:
    seen = [one for _, one, _, _ in read if one is not None]
    cards = [one for one in seen if one.facts.kind != "not a card"]
    sizes = [size for _, one, size, _ in read if one is not None]
    ppi = [one.facts.ppi for one in cards if one.facts.ppi]
    unsure = sum(int(one.unsure_columns.sum()) for one in cards if not one.bad)
    return PictureFacts(
        kinds=dict(kinds),
        looked_at=len(read),
        good=good,
        sizes=_from_to([w for w, _ in sizes], [h for _, h in sizes]),
        ppi=(min(ppi, default=0.0), max(ppi, default=0.0)),
        turns=dict(Counter(one.facts.turn for one in cards if one.facts.turn_certain)),
        turn_unknown=sum(not one.facts.turn_certain for one in cards),
        what=dict(Counter(one.facts.kind for one in seen)),
        damages=dict(Counter(damage for one in seen for damage in one.facts.damages)),
        columns=_COLUMNS * sum(not one.bad for one in cards),
        unsure=unsure,
    )


def _from_to(widths: Sequence[int], heights: Sequence[int]) -> str:
    if not widths:
        return ""
    least, most = (f"{f(widths):,} x {f(heights):,}" for f in (min, max))
    return f"{least} pixels" if least == most else f"{least} to {most} pixels"


def _odd(
    read: Sequence[tuple[int, CardReading | None, tuple[int, int], str]],
) -> Iterator[tuple[str, str, int]]:
    for number, one, _, why in read:
        if one is None:
            yield "not-a-picture", f"the picture {why}", number
        elif one.facts.kind == "not a card":
            yield "not-a-card", "no card is seen in the picture", number
        elif one.bad:
            yield "please-look", "the card as a whole must be looked at by a person", number
        elif one.unsure.any():
            yield "please-look", "some columns must be looked at by a person", number
