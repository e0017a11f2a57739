"""One order at a time: what a worker makes of it, and how it tells what went wrong."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.engine.planning import plan
from deckwright.engine.run import run_job
from deckwright.plugin.registry import Registry
from deckwright.service.store.snapshot import Snapshot, digest
from deckwright.service.system.fs import Fs, SyncError
from deckwright.service.workers.messages import Ended, RunOrder
from deckwright.service.workers.running import Runner
from deckwright.service.workers.worker import run_order
from service.workplace import CANARY, Workplace, make_workplace

NO_ROOM = ("ENOSPC", "EDQUOT", "EIO", "EROFS", "EACCES", "EMFILE")
MERGE = {
    "kind": "merge",
    "master": "depots",
    "match": {"item": "item"},
    "take": {"depot": "name"},
    "unmatched": "keep",
}
LATE_RAISER = """
from deckwright import StageConfig, TrayStage, hookimpl


class BadConfig(StageConfig):
    pass


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def outline(self, known):
        raise ZeroDivisionError("quoted")

    def run(self, tray, book):
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]
"""


@pytest.fixture(scope="module")
def cards(shop) -> bytes:
    return shop.lines([shop.receipt(number, note=CANARY) for number in range(20)])


@pytest.fixture(scope="module")
def place(shop, tmp_path_factory) -> Workplace:
    root = tmp_path_factory.mktemp("worker") / "workspace"
    jobs = {
        "good": {},
        "strict": {},
        "merging": {"stages": [MERGE], "files": {"depots": "../../master.csv"}},
        "raising": {"stages": [{"kind": "bad"}], "plugins": ["raises_value_error.py"]},
    }
    made = make_workplace(root, shop, jobs)
    strict = root / "config" / "jobs" / "strict.toml"
    strict.write_text(strict.read_text("utf-8").replace("100 %", "10 %"), encoding="utf-8")
    (root / "master.csv").write_text("item,name\n00001,Depot of nobody\n", encoding="utf-8")
    made.compile()
    return made


def ended(order: RunOrder, fs: Fs | None = None) -> Ended:
    """Run an order in this process; return how it ended, which is told once."""
    said: list[Any] = []
    run_order(order, fs or Fs(), said.append)
    found = [each for each in said if isinstance(each, Ended)]
    assert len(found) == 1
    assert found[0] is said[-1]
    return found[0]


class Steps(Fs):
    """Counts the steps; fails the n-th, or all from the n-th on, with a system error."""

    def __init__(self, number: int = 0, code: int = 0, *, for_good: bool = False) -> None:
        self.number, self.code, self.for_good = number, code, for_good
        self.taken: list[tuple[str, Path]] = []

    def _step(self, name: str, path: Path) -> None:
        self.taken.append((name, path))
        count = len(self.taken)
        if self.number and (count == self.number or (self.for_good and count > self.number)):
            raise OSError(self.code, os.strerror(self.code), str(path))

    def make_folder(self, path: Path) -> None:
        self._step("make", path)
        super().make_folder(path)

    def write_new(self, path: Path, data: bytes) -> None:
        self._step("write", path)
        super().write_new(path, data)

    def flush(self, descriptor: int) -> None:
        self._step("flush", Path(f"/proc/self/fd/{descriptor}").readlink())
        super().flush(descriptor)


def test_a_done_run_is_what_the_command_makes_and_every_file_of_it_is_flushed(
    place, shop, cards, tmp_path
) -> None:
    order, fs = place.order("good", cards), Steps()
    found = ended(order, fs)
    assert found.outcome == "done"
    assert found.counts == {"in": 20, "added": 0, "out": 20, "returned": 0, "set_aside": 0}
    home = Path(order.folder).resolve()
    deck = shop.deck(tmp_path / "receipts.txt", cards)
    run_job(place.root / "config" / "jobs" / "good.toml", [deck], tmp_path / "run", workers=1)
    assert shop.sums(home / "out.1") == shop.sums(tmp_path / "run")
    flushed = [path for name, path in fs.taken if name == "flush" and path.is_relative_to(home)]
    below = {home / "out.1", *(home / "out.1").rglob("*")}
    assert below == set(flushed[:-1])
    assert flushed[-1] == home
    assert flushed.index(home / "out.1") == len(flushed) - 2
    assert {path.name for path in home.iterdir()} == {"deck", "out.1"}
    assert list(place.workspace.tmp.iterdir()) == []


@given(st.integers(1, 40), st.sampled_from(NO_ROOM), st.booleans())
@settings(max_examples=25, deadline=None)
def test_whatever_step_finds_no_room_no_try_is_counted_and_the_next_one_is_done(
    place, cards, number, name, for_good
) -> None:
    order = place.order("good", cards)
    fs = Steps(number, getattr(errno, name), for_good=for_good)
    found = ended(order, fs)
    if len(fs.taken) < number:
        assert found.outcome == "done"
        return
    assert (found.outcome, found.code) == ("no-room", "no-room")
    shutil.rmtree(place.workspace.tmp)
    place.workspace.tmp.mkdir()
    again = order.model_copy(update={"out": "out.2"})
    assert ended(again).outcome == "done"


def test_a_failed_flush_makes_the_attempt_void(place, cards) -> None:
    class Failing(Fs):
        def flush(self, descriptor: int) -> None:
            if "out.1/" in os.readlink(f"/proc/self/fd/{descriptor}"):  # noqa: PTH115
                raise SyncError(errno.EIO, "gone")
            super().flush(descriptor)

    assert ended(place.order("good", cards), Failing()).outcome == "no-room"


DISK = """
import subprocess, sys
from pathlib import Path
from deckwright.service.system.fs import Fs
from deckwright.service.workers.messages import Ended, RunOrder
from deckwright.service.workers.worker import run_order

order = RunOrder.model_validate_json(sys.argv[1])
home, deck = Path(order.folder), Path(order.folder, "deck").read_bytes()
for number, size in enumerate(range(48, 400, 16), 1):
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}k", "none", str(home)], check=True)
    (home / "deck").write_bytes(deck)
    said = []
    run_order(order, Fs(), said.append)
    print(said[-1].outcome, said[-1].code, said[-1].sentence, *said[-1].where, sep="|")
    subprocess.run(["umount", "-l", str(home)], check=True)
"""


def test_a_disk_that_is_full_at_any_point_is_no_fault_of_the_deck(place, cards) -> None:
    order = place.order("good", cards)
    command = ["unshare", "-Urm", sys.executable, "-c", DISK, order.model_dump_json()]
    try:
        done = subprocess.run(command, capture_output=True, check=False, text=True)  # noqa: S603
    except FileNotFoundError:
        pytest.skip("there is no unshare")
    if "unshare" in done.stderr or "mount" in done.stderr:
        pytest.skip("file systems cannot be mounted here")
    assert done.returncode == 0, done.stderr
    ends = [line.split("|") for line in done.stdout.splitlines()]
    assert {line[0] for line in ends} == {"no-room", "done"}, done.stdout
    assert ends[0][0] == "no-room"
    assert ends[-1][0] == "done"


DECKS = [
    (b"", "deck-unreadable", None, "holds no cards"),
    ("abcde00100{\n" * 3, "too-many-returned", None, "3 of 3 cards failed"),
]


@pytest.mark.parametrize(("deck", "code", "card", "words"), DECKS)
def test_a_deck_that_cannot_be_run_says_why_and_what_would_do(
    deck, code, card, words, place
) -> None:
    data = deck if isinstance(deck, bytes) else deck.encode()
    found = ended(place.order("strict", data))
    assert (found.outcome, found.code, found.card) == ("deck", code, card)
    assert words in found.sentence
    assert str(place.root) not in found.model_dump_json()


def test_a_run_that_is_stopped_leaves_its_page_where_it_goes_back_with_the_deck(place) -> None:
    order = place.order("strict", b"abcde00100{\n" * 3)
    found = ended(order)
    assert found.remedy.endswith("out-failed.html shows the first failed cards")
    page = (Path(order.folder) / "out-failed.html").read_text(encoding="utf-8")
    assert "This run was stopped." in page
    assert not list(Path(order.folder).glob("out.*"))


def test_a_deck_that_ends_inside_a_card_names_the_card(place, shop, tmp_path_factory) -> None:
    root = tmp_path_factory.mktemp("blocks") / "workspace"
    stage = {"kind": "decode", "medium": {"kind": "blocks", "code": "ascii"}}
    made = make_workplace(root, shop, {})
    job = shop.job(root / "config" / "jobs", [stage, *shop.chain()[1:]], name="blocks")
    job.with_name("receipts.toml").replace(root / "config" / "layouts" / "receipts.toml")
    made.compile()
    assert made.jobs["blocks"].card_bytes == 80
    found = ended(made.order("blocks", shop.receipt(1).ljust(80).encode() * 3 + b"123"))
    assert (found.outcome, found.code, found.card) == ("deck", "deck-unreadable", 4)
    assert found.sentence.startswith("deck 'receipts.txt' ends inside card 4, after 3 of the 80")
    assert found.remedy


def test_the_name_of_a_deck_is_that_of_the_order_in_all_that_comes_out(place, shop) -> None:
    cards = shop.lines([shop.receipt(1), "0000A"])
    order = place.order("good", cards, deck_name="march.txt")
    assert ended(order).outcome == "done"
    out = Path(order.folder) / "out.1"
    assert (out / "returned" / "march.txt").is_file()
    assert shop.control(out)["decks"][0]["name"] == "march.txt"
    for name in ("..", "a/b", "a\0b"):
        found = ended(place.order("good", cards, deck_name=name))
        assert (found.outcome, found.code) == ("job", "order")


def test_a_deck_that_has_gone_counts_a_try(place, cards) -> None:
    order = place.order("good", cards)
    (Path(order.folder) / "deck").unlink()
    found = ended(order)
    assert (found.outcome, found.code) == ("stage", "deck-missing")


@pytest.mark.parametrize(("job", "times"), [("good", 1), ("raising", 3)])
def test_plugins_of_the_program_are_found_once_for_a_config_and_those_of_a_file_each_time(
    place, shop, cards, tmp_path, monkeypatch, job, times
) -> None:
    made: list[Registry] = []

    def counted(files: list[Path]) -> Registry:
        made.append(Registry(files))
        return made[-1]

    monkeypatch.setattr(plan, "Registry", counted)
    runner, said = Runner(Fs(), tmp_path / "scratch"), []
    orders = [place.order(job, cards) for _ in range(3)]
    for order in orders:
        runner.run(order, said.append)
    assert len(made) == times
    outcomes = {each.outcome for each in said if isinstance(each, Ended)}
    assert outcomes == {"done" if job == "good" else "stage"}
    if job == "good":
        outs = [shop.sums(Path(order.folder) / "out.1") for order in orders]
        assert outs[0] == outs[1] == outs[2]


def test_an_attempt_never_replaces_another(place, cards) -> None:
    order = place.order("good", cards)
    assert ended(order).outcome == "done"
    found = ended(order)
    assert (found.outcome, found.code) == ("stage", "output")
    assert str(place.root) not in found.sentence


def test_named_files_come_from_the_config_unless_the_order_names_others(
    place, shop, tmp_path
) -> None:
    cards = shop.lines([shop.receipt(1)])
    order = place.order("merging", cards)
    assert ended(order).outcome == "done"
    delivered = (Path(order.folder) / "out.1" / "out" / "cards.csv").read_text("utf-8")
    assert "Depot of nobody" in delivered
    other = tmp_path / "current"
    other.write_text("item,name\n00001,Another depot\n", encoding="utf-8")
    order = place.order("merging", cards, files={"depots": str(other)})
    found = ended(order)
    assert (found.outcome, found.code) == ("job", "config"), "a master needs its suffix or kind"
    other = other.replace(other.with_suffix(".csv"))
    order = place.order("merging", cards, files={"depots": str(other)})
    assert ended(order).outcome == "done"
    delivered = (Path(order.folder) / "out.1" / "out" / "cards.csv").read_text("utf-8")
    assert "Another depot" in delivered


def test_a_master_that_cannot_be_used_holds_the_job_and_is_not_quoted(
    place, shop, tmp_path
) -> None:
    cards = shop.lines([shop.receipt(1)])
    masters = {
        "strange": f"item,name\n{CANARY},x\n",
        "foreign": f"item,name\n00001,Łódź {CANARY}\n",
        "empty": "item,name\n",
        "double": f"item,name\n00001,{CANARY}\n00001,{CANARY}\n",
    }
    for name, text in masters.items():
        path = tmp_path / f"{name}.csv"
        path.write_text(text, encoding="utf-8")
        found = ended(place.order("merging", cards, files={"depots": str(path)}))
        assert (found.outcome, found.code) == ("job", "master"), (name, found)
        assert found.sentence.startswith("master 'depots' cannot be used: ")
        assert CANARY not in found.model_dump_json(), name
    found = ended(place.order("merging", cards, files={"unknown": str(path)}))
    assert (found.outcome, found.code) == ("job", "config")
    assert "unknown" in found.sentence


def test_a_config_that_is_not_what_its_name_says_holds_the_job(place, cards, tmp_path) -> None:
    order = place.order("good", cards)
    used = place.workspace.used
    missing = used / f"{'0' * 64}.json"
    found = ended(order.model_copy(update={"snapshot": str(missing)}))
    assert (found.outcome, found.code) == ("job", "config-missing")
    forged = used / f"{'1' * 64}.json"
    forged.write_bytes(Path(order.snapshot).read_bytes())
    found = ended(order.model_copy(update={"snapshot": str(forged)}))
    assert (found.outcome, found.code) == ("job", "config-changed")
    nonsense = used / f"{digest(b'[]')}.json"
    nonsense.write_bytes(b"[]")
    found = ended(order.model_copy(update={"snapshot": str(nonsense)}))
    assert (found.outcome, found.code) == ("job", "config-changed")


def order_of(place: Workplace, cards: bytes, **files: bytes) -> RunOrder:
    """Return an order with a config made of the good job and other files."""
    good = place.root / "config"
    given = {
        "job.toml": (good / "jobs" / "good.toml").read_bytes(),
        "layouts/receipts.toml": (good / "layouts" / "receipts.toml").read_bytes(),
        **{name.replace("__", "/").replace("_dot_", "."): data for name, data in files.items()},
    }
    data = Snapshot("good", given, {}).to_bytes()
    (place.workspace.used / f"{digest(data)}.json").write_bytes(data)
    order = place.order("good", cards)
    path = place.workspace.used / f"{digest(data)}.json"
    return order.model_copy(update={"snapshot": str(path)})


def test_a_config_that_loads_otherwise_than_it_was_kept_holds_the_job(place, cards) -> None:
    found = ended(order_of(place, cards, layouts__other_dot_toml=b""))
    assert (found.outcome, found.code) == ("job", "config-differs")
    assert "layouts/other.toml" in found.sentence
    found = ended(order_of(place, cards, job_dot_toml=b"title = 1\n[[stage]]\n"))
    assert (found.outcome, found.code) == ("job", "config")
    assert "good.toml:1: title: " in found.sentence
    assert str(place.root) not in found.sentence


def test_a_plugin_that_fails_before_any_card_holds_the_job(place, cards) -> None:
    job = (place.root / "config" / "jobs" / "good.toml").read_text("utf-8")
    job = 'plugins = ["late.py"]\n' + job.replace(
        '[[stage]]\nkind = "emit"', '[[stage]]\nkind = "bad"\n\n[[stage]]\nkind = "emit"'
    )
    plugin = LATE_RAISER.encode()
    found = ended(order_of(place, cards, job_dot_toml=job.encode(), plugins__late_dot_py=plugin))
    assert (found.outcome, found.code) == ("job", "load-failed")
    assert found.sentence == "the job cannot be loaded: ZeroDivisionError"
    assert any(line.startswith("plugins/late.py:") for line in found.where)
    broken = ended(
        order_of(place, cards, job_dot_toml=job.encode(), plugins__late_dot_py=b"import nowhere\n")
    )
    assert (broken.outcome, broken.code) == ("job", "plugin")
    assert "ModuleNotFoundError" in broken.sentence


def test_a_stage_that_raises_is_told_by_type_and_place_alone(place, cards) -> None:
    found = ended(place.order("raising", cards))
    assert (found.outcome, found.stage) == ("stage", "stage 3 (bad)")
    assert found.sentence == "stage 3 (bad) failed: ValueError"
    assert CANARY not in found.model_dump_json()
    assert found.where[-1].startswith("plugins/raises_value_error.py:")
    assert found.where[-1].endswith(" run")
    assert not any(line.startswith("/") for line in found.where)


def test_a_signal_stops_a_run_and_leaves_nothing_of_it(place, cards) -> None:
    class Signalling(Fs):
        def sync_tree(self, path: Path) -> None:
            os.kill(os.getpid(), signal.SIGTERM)
            super().sync_tree(path)

    before = signal.getsignal(signal.SIGTERM)
    found = ended(place.order("good", cards), Signalling())
    assert (found.outcome, found.code) == ("stopped", "stopped")
    assert signal.getsignal(signal.SIGTERM) is before
