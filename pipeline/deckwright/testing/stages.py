"""What every stage must pass: a suite for plugin authors, used for the stages of this package too.

In a test module of a plugin:

    from deckwright.testing import StageContract

    class TestMyStage(StageContract):
        kind = "my-stage"
        options = {"field": "amount"}
        plugins = ["my_stage.py"]          # only for a stage in one file

pytest then runs the contract's tests. Override `layout`, `deck` or `before` where the stage needs
other cards, or other stages before it.
"""

from __future__ import annotations

import inspect
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import zip_longest
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from deckwright.cards.codetable import ASCII_LATIN
from deckwright.engine.passes.executors import Executor
from deckwright.engine.passes.scans import fold, join, must_be_small, same_state
from deckwright.engine.passes.spill import Gatherer
from deckwright.engine.passes.tasks import Recipe, Result, Task
from deckwright.engine.passes.worker import Worker
from deckwright.engine.planning.limits import Sizes
from deckwright.engine.planning.plan import Plan, Step, load_plan
from deckwright.engine.run import Outcome, run_job
from deckwright.errors import ConfigError
from deckwright.journal.reader import Journal
from deckwright.journal.replay import replay
from deckwright.layout.tray import Tray

LAYOUT = """
title = "Invented depot receipts"
[[field]]
name = "item"
columns = "1-5"
kind = "digits"
role = "key"
[[field]]
name = "amount"
columns = "6-11"
kind = "decimal"
decimals = 2
sign = "overpunch-right"
[[field]]
name = "note"
columns = "12-30"
kind = "text"
"""
"""Layout of the cards that the contract uses when a test class brings none."""

_UNITS = "{ABCDEFGHI}JKLMNOPQR"


def example_deck(count: int = 60) -> bytes:
    """Return invented cards as text lines: items 0 to 16, amounts of both signs, some notes."""
    lines = []
    for place in range(count):
        item = (place * 7) % 17
        amount = (place * 313) % 9000
        units = _UNITS[amount % 10 + (10 if place % 3 == 0 else 0)]
        line = f"{item:05}{amount // 10:05}{units}{'checked' if place % 4 == 0 else ''}"
        lines.append(line.ljust(80))
    return "".join(f"{line}\n" for line in lines).encode()


class StageContract:
    """Tests that hold for every stage that takes trays. Subclass it; the name must begin `Test`."""

    kind: ClassVar[str]
    options: ClassVar[Mapping[str, Any]] = {}
    plugins: ClassVar[Sequence[str]] = ()
    before: ClassVar[Sequence[Mapping[str, Any]]] = ({"kind": "validate", "layout": "contract"},)
    """Stages between decode and the stage under test."""
    files: ClassVar[Mapping[str, str]] = {}
    layout: ClassVar[str] = LAYOUT

    def deck(self) -> bytes:
        """Return the deck as text lines of 80 columns."""
        return example_deck()

    def setup_files(self, folder: Path) -> None:
        """Write what the options name, such as a master or a layout, into the job's folder."""

    def job(self, folder: Path, extra: Mapping[str, Any] | None = None) -> Path:
        """Write a job with the stage under test into the folder; return its path."""
        (folder / "contract.toml").write_text(self.layout, encoding="utf-8")
        self.setup_files(folder)
        stages: list[Mapping[str, Any]] = [
            {"kind": "decode", "medium": {"kind": "text"}},
            *self.before,
            {"kind": self.kind, **self.options, **(extra or {})},
            {"kind": "emit", "output": [{"file": "cards.csv", "form": "csv"}, _DECK]},
        ]
        tables: dict[str, Any] = {"title": "Contract", "stage": stages}
        if self.files:
            tables["files"] = dict(self.files)
        return write_job(folder, tables, type(self), self.plugins)

    def run_stage(
        self,
        folder: Path,
        name: str,
        sizes: Sizes | None = None,
        *,
        executor: Executor | None = None,
        workers: int = 1,
    ) -> Outcome:
        """Run the deck; return the outcome."""
        deck = folder / "contract.txt"
        deck.write_bytes(self.deck())
        return run_job(
            self.job(folder),
            [deck],
            folder / name,
            workers=workers,
            sizes=sizes,
            executor=executor,
        )

    def test_every_card_is_accounted_for(self, tmp_path: Path) -> None:
        """In + added = out + returned + set aside, for the stage and for the run."""
        outcome = self.run_stage(tmp_path, "run")
        control = json.loads((outcome.folder / "control.json").read_text(encoding="utf-8"))
        for account in (*control["stages"], control["equation"]):
            left = account["out"] + account["returned"] + account["set_aside"]
            assert account["in"] + account["added"] == left

    def test_nothing_depends_on_how_the_cards_are_cut(self, tmp_path: Path) -> None:
        """However the cards are cut into trays, tasks and ranges, all that is told is the same.

        That is: deliveries, returned cards with their reasons, cards set aside, queries, notes,
        control figures, and the journal told as events.
        """
        whole = told(self.run_stage(tmp_path, "whole").folder)
        for sizes in CUTS:
            name = f"cut-{sizes.cards_a_task}-{sizes.cards_a_tray}"
            how = f"a task has {sizes.cards_a_task:,} cards and a tray {sizes.cards_a_tray:,}"
            found = difference(whole, told(self.run_stage(tmp_path, name, sizes).folder), how)
            assert not found, found

    def test_nothing_depends_on_who_runs_the_tasks(self, tmp_path: Path) -> None:
        """A run that is repeated, run in another order or by two processes tells the same."""
        sizes = CUTS[1]
        once = told(self.run_stage(tmp_path, "once", sizes).folder)
        again = self.run_stage(tmp_path, "again", sizes)
        back = self.run_stage(tmp_path, "back", sizes, executor=Backwards())
        two = self.run_stage(tmp_path, "two", sizes, workers=2)
        for how, outcome in (
            ("the run is repeated", again),
            ("the last task is run first", back),
            ("two processes share the tasks", two),
        ):
            found = difference(once, told(outcome.folder), how)
            assert not found, found

    def test_states_of_a_scan_join_alike_however_the_cards_are_cut(self, tmp_path: Path) -> None:
        """For a `ScanStage`: join(fold(some), fold(others)) is fold(all), and it can be sent."""
        states = States()
        self.run_stage(tmp_path, "run", executor=states)
        assert not states.fault, states.fault

    def test_no_change_of_a_card_is_missing_in_the_journal(self, tmp_path: Path) -> None:
        """Replaying the journal on the cards as read gives the cards as delivered."""
        outcome = self.run_stage(tmp_path, "run", Sizes(16, 5))
        lines = self.deck().split(b"\n")[:-1]
        text = np.array([list(line.ljust(80)) for line in lines], np.uint8)
        cards, images = replay(Journal(outcome.folder), text, ASCII_LATIN)
        delivered = (outcome.folder / "out" / "cards.deck").read_bytes()
        replayed = b"".join(image.tobytes() + b"\n" for image in images)
        assert replayed == delivered
        assert len(np.unique(cards)) == outcome.delivered

    def test_an_unknown_option_is_named_with_file_and_line(self, tmp_path: Path) -> None:
        """A misspelt option is refused before the run."""
        path = self.job(tmp_path, {"no_such_option_of_this_stage": 1})
        must_be_refused(path, "no_such_option_of_this_stage")


def write_job(
    folder: Path, tables: Mapping[str, Any], test: type[Any], plugins: Sequence[str]
) -> Path:
    """Write a job into a folder; return its path.

    Args:
        folder: where.
        tables: what stands in it.
        test: the test class; one-file plugins lie beside its module, else beside the job.
        plugins: their names.
    """
    if plugins:
        beside = Path(inspect.getfile(test)).parent
        paths = [str(beside / name) if (beside / name).is_file() else name for name in plugins]
        tables = {**tables, "plugins": paths}
    path = folder / "job.toml"
    lines = [f"{name} = {inline_toml(value)}" for name, value in tables.items()]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def must_be_refused(job: Path, option: str) -> None:
    """Check that a misspelt option is refused before the run, with file and line."""
    try:
        load_plan(job)
    except ConfigError as error:
        named = str(error)
    else:
        named = "nothing was refused"
    assert option in named
    assert f"{job}:" in named


_DECK = {"file": "cards.deck", "form": "deck", "medium": {"kind": "text", "code": "latin-1"}}


CUTS = (Sizes(10_000, 7), Sizes(16, 5), Sizes(9, 1), Sizes(31, 30), Sizes(1, 1))
"""How the contract cuts its cards: several trays in one task, in several, and one card each."""

_TOLD = ("control.json", "log.jsonl", "queries.csv", "notes.csv")
_NUMBER = re.compile(rb"\b\d{13,}\b")


def told(run: Path) -> dict[str, bytes]:
    """Return what a run tells, by file: deliveries, lists, control figures, events.

    The number of a card that a stage added says which task it came from; its rank takes its place.
    """
    files = deliveries(run)
    files |= {name: (run / name).read_bytes() for name in _TOLD if (run / name).is_file()}
    lists = b"".join(data for name, data in files.items() if name.endswith((".csv", ".jsonl")))
    added = sorted({number for number in map(int, _NUMBER.findall(lists)) if number >= _ADDED})
    ranks = {str(number).encode(): b"added-%d" % rank for rank, number in enumerate(added, 1)}

    def ranked(found: re.Match[bytes]) -> bytes:
        return ranks.get(found[0], found[0])

    return {name: _NUMBER.sub(ranked, data) for name, data in files.items()}


_ADDED = 2**40
"""The least number that a card which a stage adds may have."""


def difference(one: Mapping[str, bytes], other: Mapping[str, bytes], how: str) -> str:
    """Return a sentence on the first difference between what two runs tell; "" if there is none."""
    # the deliveries themselves first, then lists, events and figures, which follow from them
    for name in sorted({*one, *other}, key=lambda name: ("/" not in name, name in _TOLD[:2], name)):
        first, second = (files.get(name, b"").splitlines() for files in (one, other))
        for number, (a, b) in enumerate(zip_longest(first, second, fillvalue=b""), 1):
            if a != b:
                was, now = (_shown(line) for line in (a, b))
                return (
                    f"{name}, line {number}: {was}, but {now} where {how}; a stage must give the "
                    "same however the cards are cut: it may not rely on which cards lie in one "
                    "tray, nor keep anything from tray to tray"
                )
    return ""


def _shown(line: bytes) -> str:
    text = line.decode("utf-8", "replace")
    return repr(text if len(text) <= _LONGEST else f"{text[:_LONGEST]}...") if text else "not there"


_LONGEST = 200


class Backwards:
    """An executor that runs the last task first."""

    def __init__(self) -> None:
        self._worker: Worker | None = None

    def start(self, recipe: Recipe, plan: Plan) -> None:
        """Make the one worker."""
        self._worker = Worker(recipe, plan, keeps_parts=True)

    def run(self, tasks: Sequence[Task]) -> Iterator[Result]:
        """Run tasks from the last to the first; yield their results in the order of the tasks."""
        assert self._worker is not None  # start comes first
        results = [self._worker.run(tasks[at]) for at in reversed(range(len(tasks)))]
        yield from reversed(results)

    def close(self) -> None:
        """Nothing runs between results."""


class States:
    """An executor that tries the states of scans; `fault` is a sentence on what is wrong first."""

    def __init__(self) -> None:
        self._worker: Worker | None = None
        self.fault = ""

    def start(self, recipe: Recipe, plan: Plan) -> None:
        """Make the one worker."""
        self._worker = Worker(recipe, plan, keeps_parts=True)

    def run(self, tasks: Sequence[Task]) -> Iterator[Result]:
        """Run tasks; try the states of the cards of each that a scan takes first."""
        assert self._worker is not None  # start comes first
        plan = self._worker.plan
        for task in tasks:
            scan = None if task.digest else plan.passes[task.pass_number - 1].scan
            if scan is not None and task.blocks:
                self._worker.open(scan)
                with Gatherer(plan.code, plan.configs) as gatherer:
                    tray = gatherer.whole_of(list(task.blocks))
                self.fault = self.fault or state_fault(scan, tray)
            yield self._worker.run(task)

    def close(self) -> None:
        """Nothing runs between results."""


def state_fault(scan: Step, tray: Tray) -> str:
    """Return a sentence on states of parts of a tray that do not join; "" = they do."""
    count = len(tray)
    whole = fold(scan, tray)
    must_be_small(scan, whole)
    for first, second in ((1, count - 1), (count // 3, count // 2), (count // 2, count - 2)):
        if not 0 < first < second < count:
            continue
        edges = np.split(np.arange(count), [first, second])
        a, b, c = (fold(scan, tray.take(rows)) for rows in edges)
        left = join(scan, join(scan, a, b), c)
        right = join(scan, a, join(scan, b, c))
        for how, other in (("two and then the third", left), ("the last two first", right)):
            if not same_state(other, whole):
                return (
                    f"{scan.label}: cards cut after {first} and {second} of {count} and joined, "
                    f"{how}, give the state {repr(other)[:_LONGEST]}, but all of them "
                    f"together {repr(whole)[:_LONGEST]}; join(fold(some), fold(others)) must "
                    "be fold(all)"
                )
    return ""


def deliveries(run: Path) -> dict[str, bytes]:
    """Return the bytes of everything that a run delivered, returned or set aside."""
    parts = ("out", "returned", "set-aside")
    paths = [path for part in parts for path in sorted((run / part).rglob("*"))]
    return {p.relative_to(run).as_posix(): p.read_bytes() for p in paths if p.is_file()}


def inline_toml(value: object) -> str:
    """Return a value as inline TOML."""
    if isinstance(value, Mapping):
        inner = ", ".join(
            f"{json.dumps(name)} = {inline_toml(item)}" for name, item in value.items()
        )
        return f"{{ {inner} }}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(inline_toml(item) for item in value)}]"
    return json.dumps(value)
