"""Cards that were set aside: why, how many, and which."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.engine.closing.ending import Ending

MOST_NAMED = 20
"""Cards of one stage and reason that are named."""


@dataclass(frozen=True, slots=True)
class Aside:
    """Cards set aside by one stage for one reason. first: int64 (k), the first of them."""

    stage: int
    reason: str
    count: int
    first: NDArray[np.int64]

    @property
    def fact(self) -> str:
        """Return the name of the fact that counts them, such as `set_aside_blank`."""
        return f"set_aside_{self.reason.replace('-', '_')}"


def set_aside(ending: Ending) -> list[Aside]:
    """Return what was set aside, by stage and reason."""
    if not any(count.set_aside for count in ending.counts.values()):
        return []
    fates = sorted((ending.run / "journal").glob("*.fates.parquet"))
    table = (
        pl.scan_parquet(fates)
        .filter(pl.col("fate") == "set-aside")
        .group_by("stage", "reason")
        .agg(pl.len().alias("count"), pl.col("card").sort().head(MOST_NAMED).alias("first"))
        .sort("stage", "reason")
        .collect()
    )
    return [
        Aside(row["stage"], row["reason"], row["count"], np.array(row["first"], np.int64))
        for row in table.iter_rows(named=True)
    ]
