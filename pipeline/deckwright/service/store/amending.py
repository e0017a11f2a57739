"""What is written anew beside a deck that was taken: its claim, and who knows of late bytes."""

from __future__ import annotations

import os

from deckwright.service.store.records import Acknowledged, Acknowledgement, Claim, load
from deckwright.service.store.spool import Spool, Taking
from deckwright.service.store.tables import Row
from deckwright.service.system.fs import digest_of_file
from deckwright.service.system.places import ACKNOWLEDGED, CLAIM, DECK


def renew(spool: Spool, claim: Claim, taking: Taking) -> Claim:
    """Have a waiting deck run with what its job is now; it keeps its place.

    Raises:
        OSError: no room; the deck waits as before.
        RestartError: a folder could not be flushed.
    """
    home = spool.workspace.work / claim.run
    fresh = claim.model_copy(update={"config": taking.config, "lane": taking.lane})
    spool.reset(claim.run)
    spool.fs.write_new(home / "claim.tmp", fresh.to_bytes())
    spool.fs.replace(home / "claim.tmp", home / CLAIM)
    spool.sync(home)
    spool.ledger.renew(fresh)
    return fresh


def acknowledge(spool: Spool, row: Row, by: str, why: str) -> Acknowledged | None:
    """Keep that a person knows how the deck of an ended run differs from what it should have been.

    Returns:
        All that was acknowledged of it; None where the deck is as it was taken, and no later one
        seems to be the rest of it.

    Raises:
        BadRecordError: its claim, or what was acknowledged before, cannot be read.
        OSError: no room, or the deck cannot be read.
    """
    home = spool.workspace.root / row.state / row.run
    size, digest = digest_of_file(home / DECK)
    deck = load(Claim, home / CLAIM).deck
    if (size, digest) == (deck.size, deck.sha256) and not spool.ledger.continued_by(row.run):
        return None
    before: list[Acknowledgement] = []
    if os.path.lexists(home / ACKNOWLEDGED):
        kept = load(Acknowledged, home / ACKNOWLEDGED)
        if kept.covers(size, digest):
            return kept
        before = kept.entries
    entry = Acknowledgement(by=by, why=why, at=spool.clock.now(), size=size, sha256=digest)
    record = Acknowledged(run=row.run, entries=[*before, entry])
    aside = spool.workspace.tmp / f"{row.run}.acknowledged"
    if os.path.lexists(aside):
        spool.fs.unlink(aside)
    spool.fs.write_new(aside, record.to_bytes())
    spool.fs.replace(aside, home / ACKNOWLEDGED)
    spool.sync(home)
    return record
