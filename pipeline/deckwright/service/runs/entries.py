"""The reasons with which the service gives a deck back."""

from __future__ import annotations

from deckwright.jobs.service import JobServiceSpec
from deckwright.service.store.records import Claim, ReasonEntry
from deckwright.service.store.spool import Spool
from deckwright.service.workers.messages import Ended


def duplicate_entry(spool: Spool, how: JobServiceSpec, claim: Claim) -> ReasonEntry | None:
    """Return why a deck comes back that was done before; None where it was not, or may run again.

    Args:
        spool: knows what was done.
        how: what counts as a duplicate.
        claim: the deck.
    """
    if claim.again or how.duplicates == "rerun":
        return None
    name = claim.deck.name_bytes if how.duplicate_scope == "name" else None
    before = spool.ledger.done_before(claim.deck.sha256, name, claim.config)
    if before is None:
        return None
    there = (spool.workspace.done / before).is_dir()
    where = f"its outputs are in done/{before}" if there else f"{before} was removed since"
    return ReasonEntry(
        code="duplicate",
        sentence=f"this deck was done before; {where}",
        remedy="nothing, if it was dropped twice; `deckwright requeue` runs it again",
    )


def changed_entry(state: str) -> ReasonEntry:
    """Return why a deck comes back that is `longer` than, or otherwise not, what was taken."""
    late = state == "longer"
    what = "bytes came after the deck was taken" if late else "the deck is not what was taken"
    return ReasonEntry(
        code="late-bytes" if late else "damaged",
        sentence=what,
        remedy="drop the whole deck again, best written under another name and then renamed",
    )


def ended_entry(ended: Ended) -> ReasonEntry:
    """Return why a deck comes back that a run could not read."""
    return ReasonEntry(
        code=ended.code or "unreadable",
        stage=ended.stage,
        card=ended.card,
        columns=ended.columns,
        sentence=ended.sentence or "the deck cannot be run",
        remedy=ended.remedy,
        where=ended.where,
    )
