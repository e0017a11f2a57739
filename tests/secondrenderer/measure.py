"""Measure the reader on drawn pictures.

    python -m tests.secondrenderer.measure --half calibration --pictures 300

Draws boxes, runs the default job on each by the documented command, and compares what was delivered
unasked with the truth. Boxes with even seeds are the half for calibration, whose pictures are told
one by one; those with odd seeds are the half that is reported, of which only counts are told unless
`--detail` is given.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from pathlib import Path

from .draw import draw, plan_box, plan_picture
from .limits import upper_limit
from .recipes import Box
from .running import run_box
from .score import Tally, compare
from .truth import GRADES, Picture

IN_A_BOX = 12
_HEADS = (
    "grade",
    "cards",
    "delivered",
    "wrong cards",
    "wrong columns of those delivered",
    "right blanks",
    "some columns asked (columns)",
    "whole card asked",
    "asked",
    "missed (hardly seen)",
)


def box_seeds(half: str, seed: int, pictures: int) -> list[tuple[int, int]]:
    """Return the seeds of boxes of a half, from `seed` on, with the number of pictures of each."""
    first = seed + (seed % 2 != (half == "reported"))
    sizes = [IN_A_BOX] * (pictures // IN_A_BOX) + [pictures % IN_A_BOX] * (pictures % IN_A_BOX > 0)
    return [(first + 2 * number, size) for number, size in enumerate(sizes)]


def options(box: Box, *, told: bool) -> str:
    """Return what the medium of a box needs besides its kind; with `told`, its cut as well."""
    more = ', cards_a_picture = "auto"' if box.device == "page" else ""
    cuts = {stock.cut for stock in box.stocks}
    if told and len(cuts) == 1:
        more += f', cut = "{cuts.pop()}"'
    return more


def measure_box(
    seed: int, size: int, *, told: bool
) -> tuple[list[tuple[Picture, Tally]], list[str]]:
    """Draw, run and compare one box; return counts for each picture, and lines of detail."""
    box = plan_box(seed)
    found, lines = [], []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "box"
        folder.mkdir()
        pictures = []
        for number in range(1, size + 1):
            picture = draw(box, plan_picture(box, number), number)
            (folder / picture.name).write_bytes(picture.data)
            pictures.append(picture)
        rows = run_box(Path(place), folder, options(box, told=told))
    for picture in pictures:
        tally, detail = compare(picture, [row for row in rows if row.picture == picture.name])
        found.append((picture, tally))
        marks = sorted({mark for card in picture.cards for mark in (*card.marks, *card.hidden_by)})
        about = f"{picture.name} {picture.grade} {picture.device} {picture.dpi:.0f} dpi"
        things = "/".join((picture.backing, *picture.things, *picture.chain, *marks))
        lines += [f"{about} {things}: {each}" for each in detail]
    return found, lines


def table(grades: dict[str, Tally], boxes: list[int]) -> str:
    """Return the counts of each grade as a table; `boxes` holds the wrong cards of each box.

    Cards of a box are alike, and so are columns of a card: only the limit for boxes is one for
    things that do not hang together.
    """
    whole = Tally()
    for tally in grades.values():
        whole.add(tally)
    lines = [
        f"| {' | '.join(_HEADS)} |",
        "|---" * len(_HEADS) + "|",
    ]
    for name, each in [*grades.items(), ("all", whole)]:
        asked = each.asked_cards + each.whole_cards
        share = f"{100 * asked / each.cards:.1f} %" if each.cards else "-"
        lines.append(
            f"| {name} | {each.cards} | {each.delivered} | {each.wrong_cards} |"
            f" {each.wrong_columns} of {each.columns} | {each.blanks} |"
            f" {each.asked_cards} ({each.asked_columns}) | {each.whole_cards} | {share} |"
            f" {each.missed} ({each.barely}) |"
        )
    lines.append("")
    for what, errors, trials in (
        ("boxes with a card delivered wrong", sum(map(bool, boxes)), len(boxes)),
        ("cards delivered wrong", whole.wrong_cards, whole.delivered),
        ("columns delivered wrong", whole.wrong_columns, whole.columns),
    ):
        if trials:
            limit = upper_limit(errors, trials)
            lines.append(
                f"{what}: {errors} of {trials}, below {100 * limit:.3g} % with 95 % confidence"
            )
    lines.append(f"columns delivered though a part of them is hidden: {whole.hidden}")
    lines.append(f"wrong cards by kind: {_ranked(whole.ways)}")
    for name, each in grades.items():
        lines.append(f"asked, {name}: {_ranked(each.causes)}")
    return "\n".join(lines)


def _ranked(counts: Counter[str]) -> str:
    return ", ".join(f"{name} {number}" for name, number in counts.most_common()) or "none"


def main() -> None:
    """Measure one half and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--half", choices=["calibration", "reported"], required=True)
    parser.add_argument("--pictures", type=int, required=True)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument(
        "--told", action="store_true", help="say the cut in the job where a box has one"
    )
    parser.add_argument(
        "--detail", action="store_true", help="tell of single pictures in either half"
    )
    given = parser.parse_args()
    grades = {grade: Tally() for grade in (*GRADES, "no card")}
    boxes = []
    for seed, size in box_seeds(given.half, given.seed, given.pictures):
        found, lines = measure_box(seed, size, told=given.told)
        for picture, tally in found:
            grades[picture.grade].add(tally)
        boxes.append(sum(tally.wrong_cards for _, tally in found))
        if given.detail or given.half == "calibration":
            print("\n".join(lines), flush=True)
    print(table(grades, boxes))


if __name__ == "__main__":
    main()
