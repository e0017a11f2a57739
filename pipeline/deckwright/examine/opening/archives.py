"""Opening a deck through its wrapping; an archive of several files is asked about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.cards.codes import load_code
from deckwright.cards.codetable import ASCII_LATIN
from deckwright.errors import UnreadableDeckError
from deckwright.examine.opening.outside import Media, OpenDeck, must_be_a_deck, ranked
from deckwright.identify.ranking import Candidate, Ranking
from deckwright.plugin.media import Medium, MediumConfig
from deckwright.plugin.values import RawTray, Span, Survey
from deckwright.wording import plural

MOST_LOOKED_INTO = 24
"""Files of an archive that are looked into, so that one of them can be chosen."""


class _ProbeConfig(MediumConfig):
    kind: str = "probe"
    code: str = "ascii"


class _Probe(Medium[_ProbeConfig]):
    """Stands inside a wrapping and remembers which file it was given."""

    kind = "probe"

    def __init__(self) -> None:
        super().__init__(_ProbeConfig(), load_code("ascii"))
        self.path: Path | None = None

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        self.path = deck
        return Survey(0, 0, [])

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        return iter(())

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: object = ASCII_LATIN,
    ) -> bytes:
        return b""


def names_in(deck: Path, media: Media) -> list[str]:
    """Return the names of the files in an archive; none where a deck is no archive.

    Raises:
        UnreadableDeckError: it is damaged, or holds too many.
    """
    return list(_wrapped(media, {})[0].files(deck))


def open_wrapped(
    deck: Path, media: Media, options: Mapping[str, object], code: str | None
) -> OpenDeck:
    """Return a deck that lies in a wrapping; options: those of the wrapping, without `inside`.

    Raises:
        UnreadableDeckError: it is damaged, or what lies in it is no deck.
    """
    wrapped, probe = _wrapped(media, options)
    names = [] if options.get("member") else wrapped.files(deck)
    if len(names) > 1:
        return _of_several(deck, media, options, names, code)
    wrapped.survey(deck, 1)
    path = probe.path or deck
    must_be_a_deck(path)
    found = ranked(deck, path, media, code)
    found.options = {"kind": "wrapped", **options, "inside": found.options}
    found.ranking = _around(found.ranking, {"kind": "wrapped", **options})
    found.keeps = wrapped
    return found


def _wrapped(media: Media, options: Mapping[str, object]) -> tuple[Any, _Probe]:
    """Return the medium that opens wrappings, and what tells where it opened one into."""
    kind = media.configs.registry.medium("wrapped")
    probe = _Probe()
    table = {"kind": "wrapped", **options, "inside": {"kind": "probe"}}
    config = kind.config_model.model_validate(table)
    return kind(config, probe.code).with_media(lambda _: probe), probe


def _around(ranking: Ranking | None, outside: Mapping[str, object]) -> Ranking | None:
    """Return a ranking of media inside a wrapping, with options that name the wrapping too."""
    if ranking is None:
        return None
    candidates = tuple(
        replace(one, options={**outside, "inside": dict(one.options)}) for one in ranking.candidates
    )
    return replace(ranking, candidates=candidates)


def _of_several(
    deck: Path, media: Media, options: Mapping[str, object], names: list[str], code: str | None
) -> OpenDeck:
    """Look into the files of an archive, so that a person can choose one."""
    candidates = []
    for name in names[:MOST_LOOKED_INTO]:
        chosen = {**options, "member": name}
        try:
            found = open_wrapped(deck, media, chosen, code)
        except UnreadableDeckError as error:
            table = {"kind": "wrapped", **chosen}
            candidates.append(Candidate(f"{name}: no deck", 0.0, {}, error.what, options=table))
            continue
        best = found.ranking.candidates[0] if found.ranking else None
        score = best.score if best and found.inner is not None else 0.0
        said = best.name if best and found.inner is not None else "not certain what it is"
        sentence = best.sentence if best else ""
        candidates.append(Candidate(f"{name}: {said}", score, {}, sentence, options=found.options))
    left = len(names) - len(candidates)
    more = f" ({plural(left, 'more')} not looked into)" if left else ""
    question = (
        f"{deck.name} holds {len(names):,} files{more}, and a deck is one of them: choose with "
        "--medium, or unpack it and examine its files together"
    )
    ranking = Ranking(tuple(candidates), 0.0, 0.0, sure=False, sentence=question)
    return OpenDeck(deck, deck, {"kind": "wrapped", **options}, None, ranking, question=question)
