"""Jobs with plugins that do what no plugin should."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from service.workplace import Workplace, make_workplace

# what a plugin does, and how its run must end: outcome, code, and words of the sentence
ENDS = {
    "raises_value_error": ("stage", "stage-failed", "stage 3 (bad) failed: ValueError"),
    "raises_own_error": ("stage", "stage-failed", "stage 3 (bad) failed: DeckwrightError"),
    "raises_interrupt": ("stage", "stage-failed", "stage 3 (bad) failed: KeyboardInterrupt"),
    "raises_base": ("stage", "stage-failed", "stage 3 (bad) failed: StrangeError"),
    "raises_memory_error": ("stage", "limit", "stage 3 (bad) needed more memory"),
    "exits": ("stage", "stage-failed", "stage 3 (bad) failed: SystemExit"),
    "exits_at_once": ("died", "worker-ended", "exit code 3"),
    "crashes": ("died", "worker-ended", "signal SIGSEGV"),
    "loops": ("late", "timeout", "longer than it may"),
    "sleeps": ("late", "timeout", "longer than it may"),
    "allocates": ("stage", "limit", "stage 3 (bad) needed more memory"),
    "writes_much": ("stage", "limit", "stage 3 (bad) wrote a longer file"),
    "storms": ("done", "", ""),
    "closes_descriptors": ("died", "worker-ended", ""),
    "changes_folder": ("done", "", ""),
    "deletes_out": ("stage", "stage-failed", "FileNotFoundError"),
    "prints_much": ("done", "", ""),
    "lies": ("died", "worker-nonsense", "said what no worker may say"),
}
LEAVES = ("umask", "descriptor", "thread", "environment", "timer", "module path")


def pool_workplace(root: Path, shop: Any) -> Workplace:
    """Make a workspace with a good job, its twin, and one for each bad plugin."""
    words = root.parent / "words"
    words.write_bytes(b'{"kind":"rest"}\n')
    jobs = {
        name: {"plugins": [f"{name}.py"], "stages": [{"kind": "bad"}]}
        for name in ENDS
        if name != "lies"
    }
    jobs["lies"] = {
        "plugins": ["lies.py"],
        "stages": [{"kind": "bad", "words": str(words), "waits": True}],
    }
    for what in LEAVES:
        stage = {"kind": "bad", "what": what}
        jobs[f"leaves-{what.replace(' ', '-')}"] = {"plugins": ["leaves.py"], "stages": [stage]}
    jobs |= {"good": {}, "twin": {"stages": [{"kind": "sort", "keys": ["item"]}]}}
    made = make_workplace(root, shop, jobs)
    made.compile()
    return made
