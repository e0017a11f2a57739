"""The seal of a run: what stands for personal text in it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from deckwright.engine.passes.deckfile import fingerprint
from deckwright.engine.planning.personal import KEY_FILE, key_of_run
from deckwright.engine.planning.plan import Plan
from deckwright.layout.personal import Seal
from deckwright.plugin.values import DeckPart


def seal_of(plan: Plan, decks: Sequence[DeckPart]) -> Seal:
    """Return the seal of a run; its key follows from the job's secret, the job and the decks.

    The decks are read once for it; a job without personal fields or without a secret reads none.
    """
    secret = plan.files.get(KEY_FILE)
    if secret is None or not plan.personal:
        return Seal()
    digests = [fingerprint(Path(deck.path)) for deck in decks]
    return Seal(key_of_run(secret.read_bytes(), plan.configs.used, digests))
