"""Compiling jobs, in a process that may end, hang or be spoiled by what a plugin does.

Started as `python -I -m deckwright.service.config.compiling ROOT PIPE PARENT FILE...`; tells of
each job in turn through the pipe, one JSON object a line.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

from deckwright.service.workers.limits import bind_to_parent, limit_run, set_limits

_MEMORY, _CPU_S = 3 << 30, 600
_FILE, _OPEN_FILES = 1 << 20, 256
_LONGEST_FAULT, _MOST_FAULTS = 4000, 100


def main() -> None:
    """Compile the jobs that the command line names."""
    root, pipe, parent, *files = sys.argv[1:]
    bind_to_parent(int(parent))
    os.set_inheritable(int(pipe), False)  # noqa: FBT003 # takes it by place only
    set_limits(file=_FILE, open_files=_OPEN_FILES)
    limit_run(_MEMORY, _CPU_S)
    _compile_all(Path(root), int(pipe), files)
    # not the usual end: threads and exit handlers of plugins have no say in it
    os._exit(0)


def _compile_all(root: Path, pipe: int, files: Sequence[str]) -> None:
    from deckwright.service.config.compile import SERVICE_FILE, Bad, Begun, Good  # noqa: PLC0415 # heavy
    from deckwright.service.config.jobfile import JobFaultError, check_notices, compile_job  # noqa: PLC0415

    def tell(message: Begun | Good | Bad) -> None:
        data = memoryview(message.model_dump_json().encode() + b"\n")
        while data:
            data = data[os.write(pipe, data) :]

    for file in files:
        tell(Begun(file=file))
        try:
            service = file == SERVICE_FILE
            told: Good | Bad = check_notices(root) if service else compile_job(root, file)
        except JobFaultError as error:
            faults = [fault[:_LONGEST_FAULT] for fault in error.faults[:_MOST_FAULTS]]
            told = Bad(file=file, faults=faults)
        tell(told)


if __name__ == "__main__":
    main()
