"""A deck cannot be run."""

from __future__ import annotations

import re

from typing_extensions import override

from deckwright.errors.base import DeckwrightError


class DeckError(DeckwrightError):
    """The deck cannot be run."""

    exit_code = 4


class RefusedRunError(DeckError):
    """A stage found after the last card that the run as a whole may not stand."""

    def __init__(self, stage: str, reason: str, detail: str) -> None:
        self.stage, self.reason, self.detail = stage, reason, detail
        super().__init__(f"{stage}: {detail} ({reason}); nothing was delivered")


class UnreadableDeckError(DeckError):
    """The medium's bytes do not make whole cards."""

    def __init__(self, deck: str, what: str, remedy: str = "") -> None:
        self.deck, self.what, self.remedy = deck, what, remedy
        super().__init__(f"deck {deck!r} {what}" + (f"; {remedy}" if remedy else ""))


class CutOffDeckError(UnreadableDeckError):
    """A deck ends inside a card. whole: bytes up to there; cards: how many are whole."""

    def __init__(self, deck: str, what: str, remedy: str, whole: int, cards: int) -> None:
        self.whole, self.cards = whole, cards
        super().__init__(deck, what, remedy)


class TooManyReturnedError(DeckError):
    """More cards failed than the job allows. page: the file that shows some of them, if any."""

    def __init__(self, stage: str, returned: int, seen: int, limit: str, hint: str) -> None:
        self.stage, self.returned, self.seen, self.limit = stage, returned, seen, limit
        self.hint, self.page = hint, ""
        super().__init__(self.sentence)

    @property
    def sentence(self) -> str:
        """What happened, without what would help."""
        failed = f"{self.returned:,} of {self.seen:,}"
        return f"{self.stage}: {failed} cards failed, more than most_returned allows ({self.limit})"

    @override
    def __str__(self) -> str:
        """Return what happened, what would help, and where it can be seen."""
        page = f"; {self.page} shows the first failed cards" if self.page else ""
        return f"{self.sentence}; {self.hint}; nothing was delivered{page}"


class GroupError(DeckError):
    """A group cannot be handed to its stage. told: without what stands on its cards."""

    def __init__(self, stage: str, group: str, what: str, remedy: str) -> None:
        self.stage, self.group, self.remedy = stage, group, remedy
        self.told = f"{stage}: a group {what}"
        super().__init__(f"{stage}: the group {group} {what}; {remedy}; nothing was delivered")


class GroupTooLargeError(GroupError):
    """One group has more cards than fit into memory; found before they are gathered."""

    def __init__(
        self,
        stage: str,
        group: str,
        cards: int,
        most: int,
        memory: str,
        needed: str,
        fields: str,
    ) -> None:
        self.cards, self.most = cards, most
        some = round(most, 1 - len(str(most)) + 1)
        what = (
            f"has {cards:,} cards; with memory = {memory!r} the job holds some {some:,} cards of "
            "one group"
        )
        super().__init__(stage, group, what, f"set memory = {needed!r}, or {fields}")


class GroupReturnsError(GroupError):
    """The cards of a group do not lie together. card: where it comes again, as it is named."""

    def __init__(self, stage: str, group: str, card: str, fields: list[str]) -> None:
        self.card = card
        what = f"comes again at {card}, after cards of another group"
        remedy = f"sort on {', '.join(fields)} before this stage, or put the deck in order"
        super().__init__(stage, group, what, remedy)


_PLACE = re.compile(r"(\([^()]*:\d+\))$")


class StageError(DeckError):
    """A stage raised; names stage, distribution, card range and cause.

    first, last: lowest and highest number in the run of the cards that it had before it, from 1.
    count: how many it had; fewer than lie between the two, as after a sort, are told so; 0 = all.
    named: how they are told instead where the run has several decks.
    """

    exit_code = 3

    def __init__(
        self, stage: str, distribution: str, first: int, last: int, cause: str, count: int = 0
    ) -> None:
        self.stage, self.distribution, self.cause = stage, distribution, cause
        self.first, self.last, self.count, self.named = first, last, count, ""
        super().__init__(stage, distribution, cause)

    def keep_back(self) -> None:
        """Keep back all that was said by what raised but its type and place: it may be personal."""
        kind, _, said = self.cause.partition(": ")
        place = _PLACE.search(said)
        self.cause = f"{kind}{f' {place[1]}' if place else ''}; its words are kept back"
        self.args = (*self.args[:-1], self.cause)
        self.__notes__: list[str] = []

    @override
    def __str__(self) -> str:
        """Return which stage failed on which cards, and why."""
        several = f"cards {self.first:,} to {self.last:,}"
        named = self.named or (f"card {self.first:,}" if self.first == self.last else several)
        some = 0 < self.count <= self.last - self.first
        part = f"{self.count:,} of the " if some else ""
        return f"{self.stage} ({self.distribution}) failed on {part}{named}: {self.cause}"


class PluginFailedError(StageError):
    """A plugin raised where no cards can be named; `stage` says which stage or medium."""

    def __init__(self, plugin: str, distribution: str, method: str, cause: str) -> None:
        super().__init__(plugin, distribution, 0, 0, cause)
        self.method = method

    @override
    def __str__(self) -> str:
        """Return what failed in which of its methods, and why."""
        return f"{self.stage} ({self.distribution}) failed in {self.method}: {self.cause}"
