"""What a strange deck is: examined before anything about it is written down."""

from __future__ import annotations
