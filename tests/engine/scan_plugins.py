"""One-file plugins of scans, for tests."""

from __future__ import annotations

HEAD = '''"""A scan for tests."""

import numpy as np
import polars as pl

from deckwright import FieldShape, LastCards, ScanStage, StageConfig, Values, hookimpl


class Config(StageConfig):
    """No options."""

'''
TAIL = """

@hookimpl
def deckwright_stages():
    return [Scan]
"""

WINDOW = (
    HEAD
    + '''
class Scan(ScanStage[Config, LastCards]):
    """The item of the card two places earlier, and the number of the card before."""

    kind = "window"

    def outline(self, known):
        two = {"two_back": FieldShape("text", 5), "card_before": FieldShape("whole", 9)}
        return known.with_fields(two)

    def fold(self, tray):
        return tray.last(2, ["item", "note", "card"])

    def join(self, earlier, later):
        return earlier.then(later)

    def run(self, tray, book, before, total):
        tray = tray.with_field("two_back", tray.earlier("item", before, by=2))
        card = tray.earlier("card", before)
        same = tray["note"] == tray.earlier("note", before)
        tray = tray.with_field("card_before", card)
        return book.give_back(tray, same, "same-note", field="note")
'''
    + TAIL
)

ORDINAL = (
    HEAD
    + '''
class Scan(ScanStage[Config, int]):
    """Which batch each card is of: a card with the note `head` begins one; and of how many."""

    kind = "batch"
    needs_total = True

    def outline(self, known):
        return known.with_fields({"batch": FieldShape("whole", 9), "of": FieldShape("whole", 9)})

    def fold(self, tray):
        return int((tray["note"] == "head").sum())

    def join(self, earlier, later):
        return earlier + later

    def run(self, tray, book, before, total):
        heads = (tray["note"] == "head").fill_null(False).to_numpy()
        batch = (before or 0) + np.cumsum(heads)
        tray = tray.with_field("batch", Values("whole", batch.astype(np.int64)))
        return tray.with_field("of", Values("whole", np.full(len(tray), total, np.int64)))
'''
    + TAIL
)


def faulty(fold: str, join: str) -> str:
    """Return a scan that keeps a state in a wrong way."""
    return (
        HEAD
        + f"""
class Scan(ScanStage[Config, object]):
    kind = "faulty"

    def fold(self, tray):
        return {fold}

    def join(self, earlier, later):
        return {join}

    def run(self, tray, book, before, total):
        return tray
"""
        + TAIL
    )


COUNT = '''"""Counts the cards of each group; needs them together."""

import numpy as np

from deckwright import FieldShape, GroupStage, StageConfig, Values, hookimpl


class Config(StageConfig):
    """Count the cards of a group."""

    fields: list[str]
    name: str = "together"


class Count(GroupStage[Config]):
    kind = "count"

    def group_fields(self):
        return self.config.fields

    def outline(self, known):
        return known.with_fields({self.config.name: FieldShape("whole", 9)})

    def run(self, tray, book):
        keys = tray.frame(self.config.fields).to_struct("keys").rank("dense").to_numpy()
        _, which, counts = np.unique(keys, return_inverse=True, return_counts=True)
        counts = counts[which.reshape(-1)].astype(np.int64)
        return tray.with_field(self.config.name, Values("whole", counts))


@hookimpl
def deckwright_stages():
    return [Count]
'''


LACK = '''"""Tells of each group what earlier stages returned of it."""

import polars as pl

from deckwright import FieldShape, GroupStage, StageConfig, TrayStage, hookimpl


class Config(StageConfig):
    """Tell what a group lacks."""

    fields: list[str] = ["item"]


class Lack(GroupStage[Config]):
    kind = "lack"

    def group_fields(self):
        return self.config.fields

    def returned_sums(self):
        return ["amount"]

    def outline(self, known):
        new = {"lacks": FieldShape("whole", 9), "lacks_sum": FieldShape("decimal", 12, 2)}
        return known.with_fields(new)

    def run(self, tray, book):
        keys = tray.frame(self.config.fields)
        on = self.config.fields
        found = keys.join(book.lacking, on=on, how="left", maintain_order="left", nulls_equal=True)
        tray = tray.with_field("lacks", found["returned"])
        return tray.with_field("lacks_sum", found["returned_amount"])


class Give(TrayStage[Config]):
    kind = "give"

    def run(self, tray, book):
        return book.give_back(tray, tray["note"] == "bad", "bad")


@hookimpl
def deckwright_stages():
    return [Lack, Give]
'''
