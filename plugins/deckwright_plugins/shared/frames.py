"""Frames as bytes, for forms that make their file after the last card."""

from __future__ import annotations

import io

import polars as pl


def packed(frame: pl.DataFrame) -> bytes:
    """Return a frame as an Arrow stream."""
    buffer = io.BytesIO()
    frame.write_ipc_stream(buffer)
    return buffer.getvalue()


def unpacked(piece: bytes) -> pl.DataFrame:
    """Return the frame of an Arrow stream."""
    return pl.read_ipc_stream(io.BytesIO(piece))
