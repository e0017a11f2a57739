"""What a stage says of a delivery that is the next state of a master."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MasterAccount:
    """How the next state of a master follows from the one that the run read. Counts records."""

    before: int
    added: int
    deleted: int
    after: int

    @property
    def balances(self) -> bool:
        """Return whether before + added - deleted = after, with no count below zero."""
        least = min(self.before, self.added, self.deleted, self.after)
        return least >= 0 and self.before + self.added - self.deleted == self.after
