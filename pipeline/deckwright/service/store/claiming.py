"""What is written down of a deck before it is taken: its claim."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from deckwright.service.store.ledger import Ledger
from deckwright.service.store.lineends import first_line, may_join, open_end
from deckwright.service.store.records import Claim, DeckFacts, Follows
from deckwright.service.store.tables import Row
from deckwright.service.system.clock import Clock, a_while_ago
from deckwright.service.system.places import Workspace, run_prefix, shown


@dataclass(frozen=True, slots=True)
class Taking:
    """With what a deck is taken.

    job: its name. config: the SHA-256 of its config. lane: the master that it moves on. longest:
    bytes that a card has at most where every card is a line, 0 = any number, None = cards are no
    lines. late_s: seconds for which a deck may go on from the one before it.
    """

    job: str
    config: str
    lane: str | None = None
    longest: int | None = None
    late_s: float = 86_400


@dataclass(frozen=True, slots=True)
class Arrival:
    """A settled deck in the inbox.

    folder: name of its inbox folder. sha256: what its marker says, marker: the marker's name.
    """

    folder: bytes
    name: bytes
    path: Path
    sha256: str | None = None
    marker: bytes = b""


@dataclass(frozen=True, slots=True)
class Claims:
    """Makes claims, from what the ledger knows of earlier decks."""

    workspace: Workspace
    ledger: Ledger
    clock: Clock

    def arrived(
        self, arrival: Arrival, descriptor: int, size: int, digest: str, taking: Taking
    ) -> Claim:
        """Return the claim of a deck in the inbox.

        Args:
            arrival: where it lies.
            descriptor: the deck, open for reading.
            size: its bytes.
            digest: their SHA-256.
            taking: with what it is taken.

        Raises:
            OSError: the deck cannot be read.
        """
        tail = 0
        continues = None
        if taking.longest is not None and not arrival.marker:
            tail = open_end(descriptor, taking.longest)
            continues = self._continues(arrival, descriptor, digest, taking)
        follows = None if continues else self._follows(taking.job, arrival.name, digest)
        claim = self._claim(arrival.folder, arrival.name, size, digest, taking)
        return claim.model_copy(
            update={"open_end": tail, "continues": continues, "follows": follows}
        )

    def again(self, row: Row, descriptor: int, size: int, digest: str, taking: Taking, why: str
              ) -> Claim:  # fmt: skip
        """Return the claim of a new run of the deck of an ended one.

        Args:
            row: the ended run.
            descriptor: its deck as it is now, open for reading.
            size: bytes of that.
            digest: their SHA-256.
            taking: with what it is taken.
            why: says that bytes came late; empty when an operator asked.

        Raises:
            OSError: the deck cannot be read.
        """
        claim = self._claim(row.folder, row.name, size, digest, taking)
        if not why:
            tail = self.ledger.open_end(row.run)
            return claim.model_copy(update={"again": row.run, "open_end": tail})
        tail = 0 if taking.longest is None else open_end(descriptor, taking.longest)
        follows = Follows(run=row.run, because=why)
        return claim.model_copy(update={"follows": follows, "open_end": tail})

    def _claim(self, folder: bytes, name: bytes, size: int, digest: str, taking: Taking
               ) -> Claim:  # fmt: skip
        prefix = run_prefix(digest, name)
        number = self.workspace.free_number(prefix, self.ledger.last_n(prefix) + 1)
        return Claim(
            run=f"{prefix}-{number}",
            deck=DeckFacts(name=name.hex(), shown=shown(name), size=size, sha256=digest),
            folder=folder.hex(),
            job=taking.job,
            config=taking.config,
            taken_at=self.clock.now(),
            order=self.ledger.last_place() + 1,
            lane=taking.lane,
            same_bytes=self.ledger.named_otherwise(digest, name, taking.config),
        )

    def _follows(self, job: str, name: bytes, digest: str) -> Follows | None:
        row = self.ledger.repaired_by(job, name)
        if row is None or row.sha256 == digest:
            return None
        what = f"{row.cards_returned:,} cards" if row.state == "done" else "the whole deck"
        return Follows(run=row.run, because=f"same job and name; of that run came back {what}")

    def _continues(
        self, arrival: Arrival, descriptor: int, digest: str, taking: Taking
    ) -> Follows | None:
        """Return the run of which a deck seems to be the rest: its last line lacked its end."""
        dropped = datetime.fromtimestamp(os.fstat(descriptor).st_ctime, UTC).isoformat()
        since = a_while_ago(dropped, taking.late_s)
        found = self.ledger.goes_on(taking.job, arrival.folder, arrival.name, since)
        if found is None or taking.longest is None:
            return None
        row, tail = found
        if row.sha256 == digest or not may_join(tail, first_line(descriptor), taking.longest):
            return None
        return Follows(run=row.run, because="same job and name; that deck ended inside a line")
