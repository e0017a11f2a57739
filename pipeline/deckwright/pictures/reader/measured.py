"""What was measured of the reader, where its reports say so."""

from __future__ import annotations

from typing import Final

COLUMNS_MEASURED: Final = 1_344_443
"""Columns of simulated cards that were decided and compared; none was wrong.

DEVELOPERS.md, *Measurements*, has the command.
"""

SILENT_LIMIT: Final = 3 / COLUMNS_MEASURED
"""Upper limit, 95 %, of the share of columns that are read wrongly without a warning.

Where none of n was wrong, 3 / n (the rule of three: 0.05 ** (1 / n) is about 1 - 3 / n).
"""
