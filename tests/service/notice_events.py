"""What observers of the service are told, an event of each kind."""

from __future__ import annotations

DONE = {
    "event": "deck_done", "run": "0" * 16 + "-" + "1" * 6 + "-1", "job": "first",
    "deck": "week 23.txt", "counts": {"in": 12, "out": 12}, "folder": "/srv/x/done/y",
}  # fmt: skip
EVENTS = [
    DONE,
    {"event": "deck_returned", "run": "r", "job": "first", "deck": "d", "code": "empty",
     "folder": "f"},
    {"event": "deck_held", "run": "r", "job": "first", "deck": "d", "why": "w"},
    {"event": "job_held", "job": "first", "why": "w"},
]  # fmt: skip
