"""Settings of the frame library, given to a process before it loads it."""

from __future__ import annotations

FRAMES = {
    "POLARS_MAX_THREADS": "1",
    "POLARS_CSV_CHUNK_PREFETCH_LIMIT": "1",
    "POLARS_CSV_CHUNK_SIZE": str(2 * 2**20),
}
"""Trays are small, threads cost more than they bring; and a large CSV, such as a master, is not
read so far ahead that its batches fill the memory of a job."""
