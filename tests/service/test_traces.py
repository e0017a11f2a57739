"""What a run leaves behind in its process is seen."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

from deckwright.service.workers.traces import Traces


def test_the_traces_of_a_run_are_seen_and_a_quiet_one_leaves_none(tmp_path) -> None:
    before = Traces.look()
    # a process that other tests have started and left, such as a tracker, is no trace of this one
    always = ["children"] if before.children else []
    assert Traces.look().differences(before) == always
    file = (tmp_path / "file").open("w")
    stop = threading.Event()
    thread = threading.Thread(target=stop.wait)
    thread.start()
    os.environ["STRANGE"] = "1"
    child = subprocess.Popen([sys.executable, "-S", "-c", "input()"], stdin=subprocess.PIPE)
    try:
        found = set(Traces.look().differences(before))
    finally:
        file.close()
        stop.set()
        thread.join()
        del os.environ["STRANGE"]
        child.communicate(b"\n")
    assert found == {"descriptors", "threads", "environment", "children"}
    assert Traces.look().differences(before) == always


def test_a_thread_is_named_whatever_its_name_holds() -> None:
    before = Traces.look()
    stop = threading.Event()

    def rename_and_wait() -> None:
        Path(f"/proc/self/task/{threading.get_native_id()}/comm").write_bytes(b"odd \xff name")
        named.set()
        stop.wait()

    named = threading.Event()
    thread = threading.Thread(target=rename_and_wait)
    thread.start()
    named.wait(10)
    try:
        after = Traces.look()
    finally:
        stop.set()
        thread.join()
    assert after.threads - before.threads == {os.fsdecode(b"odd \xff name"): 1}
