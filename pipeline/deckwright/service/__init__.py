"""The watched-folder service: decks in, runs done, returned or waiting; never lost, never twice."""

from __future__ import annotations
