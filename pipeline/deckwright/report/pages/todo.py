"""What a person does next with a run, as a list in the order in which it is done."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from deckwright.report.model import ControlData, FileLine, ReasonLine
from deckwright.wording import plural


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: words, a file or place that they lead to, words after it, a code beside."""

    before: str
    link: str = ""
    name: str = ""
    after: str = ""
    code: str = ""


def steps(control: ControlData) -> list[Step]:
    """Return what is to be done, in order; the last is to sign."""
    return list(_steps(control))


def fatal_reasons(control: ControlData) -> list[ReasonLine]:
    """Return why cards came back, the most frequent first."""
    found = [reason for reason in control.reasons if reason.severity == "fatal"]
    return sorted(found, key=lambda reason: -reason.count)


def _steps(control: ControlData) -> Iterator[Step]:
    if not control.balances:
        yield Step(
            "Do not use what was delivered. Keep this folder and the decks as they are, and show "
            "both to whoever looks after the program."
        )
        return
    if control.code is not None and not control.code.sure:
        yield Step("Check the code: ", "#code", "two codes may be meant", ".")
    faults = [fault for fault in control.run_faults if fault.severity == "query"]
    if faults:
        many = "what is wrong" if len(faults) == 1 else f"{len(faults)} things that are wrong"
        yield Step(f"Look at {many} with ", "#run-faults", "the run as a whole", ".")
    yield from _look(control)
    yield from _repair(control)
    names = {file.path for file in control.files}
    asked = sum(stage.queries for stage in control.stages)
    if asked and "queries.csv" in names:
        yield Step(
            f"Look at {plural(asked, 'query', 'queries')} about cards that were delivered: ",
            "queries.csv",
            "queries.csv",
            ".",
        )
    for path in sorted(names):
        if path.endswith("-without-card.csv"):
            yield Step("Look at master records without a card: ", path, path, ".")
    yield Step(f"Compare {control.arrived:,} with the number of cards in the box; then sign below.")


def reading_report(files: Sequence[FileLine]) -> str:
    """Return the path of the reading report of pictures in a run folder, "" where there is none."""
    return next((file.path for file in files if file.path.endswith("reading.html")), "")


def _look(control: ControlData) -> Iterator[Step]:
    reading = reading_report(control.files)
    if reading:
        yield Step("Look at the ", reading, "reading report", ": how each picture was read.")
    if control.returned and control.returned_page:
        most = next(iter(fatal_reasons(control)), None)
        said = _most_frequent(most) if most else "."
        code = most.reason if most and most.sentence else ""
        yield Step("Look at the ", control.returned_page, "returned cards", said, code)


def _most_frequent(line: ReasonLine) -> str:
    reason = line.sentence.rstrip(".") or line.reason
    field = f" in {line.field}" if line.field else ""
    return f". Most frequent reason{field}: {reason} ({plural(line.count, 'card')})."


def _repair(control: ControlData) -> Iterator[Step]:
    if not control.returned:
        return
    decks = [
        file.path
        for file in control.files
        if file.path.startswith("returned/") and file.path != "returned/reasons.csv"
    ]
    if reading_report(control.files):
        yield _answer(decks)
    elif len(decks) == 1:
        yield Step("Repair ", decks[0], decks[0], ", then run it again with the same job.")
    else:
        yield Step(
            f"Repair the {len(decks)} decks in ",
            "#files",
            "returned",
            ", then run them again with the same job.",
        )


def _answer(decks: Sequence[str]) -> Step:
    """Return what is done with pictures that come back."""
    name, link = ("returned", "#files") if len(decks) > 1 else (decks[0], decks[0])
    after = (
        ", fill in the forms NAME.look.csv beside the pictures in doubt, then run the folder with "
        "the same job; 'deckwright guide boxes' tells how."
    )
    return Step("Unpack ", link, name, after)
