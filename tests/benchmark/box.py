"""Measure a box of pictures through a whole run: cards a second, memory of each process.

python tests/benchmark/box.py --work DIR [--cards 640] [--ppi 300] [--workers 2]

Draws 32 simulated cards in ordinary condition as JPEG, packs them into a zip again and again under
new names, and runs a job that reads, checks and delivers them. Prints wall and processor time.
"""

from __future__ import annotations

import argparse
import re
import resource
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import numpy as np

from deckwright.cards.codes import load_code
from deckwright.pictures.simulator.simulate import simulate_deck

DRAWN = 32
JOB = """
title = "A box"
[[stage]]
kind = "decode"
medium = { kind = "pictures", cut = "upper-left" }
[[stage]]
kind = "validate"
layout = "card"
[[stage]]
kind = "emit"
[[stage.output]]
file = "cards.csv"
form = "csv"
"""
LAYOUT = """
title = "A card"
[[field]]
name = "number"
columns = "1-5"
kind = "digits"
"""


def main() -> None:
    """Draw, run, print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--work", type=Path, required=True)
    asked.add_argument("--cards", type=int, default=640)
    asked.add_argument("--ppi", type=float, default=300)
    asked.add_argument("--workers", type=int, default=2)
    given = asked.parse_args()
    work: Path = given.work
    work.mkdir(parents=True, exist_ok=True)
    box = packed(work, given.cards, given.ppi)
    (work / "box.toml").write_text(JOB, "utf-8")
    (work / "card.toml").write_text(LAYOUT, "utf-8")
    out = work / f"run-{time.time_ns()}"
    command = [
        Path(sys.executable).with_name("deckwright"), "run", work / "box.toml", box,
        "--out", out, "--workers", str(given.workers),
    ]  # fmt: skip
    start, peaks = time.monotonic(), {}
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    while process.poll() is None:
        note_peaks(process.pid, peaks)
        time.sleep(0.2)
    wall = time.monotonic() - start
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = used.ru_utime + used.ru_stime
    print(f"{given.cards} cards: {wall:.1f} s, {cpu:.1f} s of processor time, "
          f"{given.cards / cpu:.1f} cards a second of it")  # fmt: skip
    print("peak MiB of each process:", sorted(peaks.values(), reverse=True))


def packed(work: Path, cards: int, ppi: float) -> Path:
    """Return a zip of pictures."""
    code = load_code("ebcdic")
    texts = [f"{number:05d} DEPOT OF ORRIN".ljust(80) for number in range(DRAWN)]
    own = np.stack([np.frombuffer(code.alphabet.encode(text), np.uint8) for text in texts])
    folder = work / f"drawn-{ppi:g}"
    if not folder.exists():
        holes = code.to_holes[own].astype(np.uint16)
        simulate_deck(holes, folder, texts=texts, ppi=ppi, seed=7, suffix=".jpg")
    pictures = sorted(folder.glob("*.jpg"))
    box = work / "box.zip"
    with zipfile.ZipFile(box, "w") as archive:
        for number in range(cards):
            archive.write(pictures[number % DRAWN], f"card-{number + 1:06d}.jpg")
    return box


def note_peaks(process: int, peaks: dict[int, int]) -> None:
    """Note the peak of resident memory of a process and of all below it, in MiB."""
    try:
        status = Path(f"/proc/{process}/status").read_text("ascii")
        below = Path(f"/proc/{process}/task/{process}/children").read_text("ascii")
    except OSError:
        return
    if found := re.search(r"VmHWM:\s+(\d+)", status):
        peaks[process] = int(found[1]) // 1024
    for child in below.split():
        note_peaks(int(child), peaks)


if __name__ == "__main__":
    main()
