"""Single steps of the life of a deck: what is refused stays where it lay, and is taken later."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from deckwright.errors import RestartError
from deckwright.service.recovery import Found, recover
from deckwright.service.runs.ends import SERVICE_ENDED
from deckwright.service.store.ledger import Ledger
from deckwright.service.store.masters import Lanes
from deckwright.service.store.records import Claim, ReasonEntry, Reasons, load
from deckwright.service.store.spool import Arrival, MarkerDiffersError, NotTakenError, Spool, Taking
from deckwright.service.store.tables import Row
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import (
    CLAIM,
    DECK,
    FAILED_PAGE,
    FOLDERS,
    MARKER,
    REASONS,
    Workspace,
)
from service.contract import sha256
from service.faults import FaultFs

DATA = b"A card\n"
TAKING = Taking("cards", "0" * 64)
WHY = ReasonEntry(code="damaged", sentence="it is damaged", remedy="drop it again")


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    """Return the steps in a fresh workspace with one inbox folder."""
    workspace = Workspace(tmp_path / "w")
    for name in FOLDERS:
        (workspace.root / name).mkdir(parents=True, exist_ok=True)
    workspace.used.mkdir(parents=True, exist_ok=True)
    (workspace.inbox / "cards").mkdir()
    with closing(Ledger(workspace.ledger)) as ledger:
        yield Spool(workspace, Fs(), ledger, Clock())


def arrived(spool: Spool, name: str = "deck", marker: str = "", sha: str | None = None) -> Arrival:
    """Lay a deck into the inbox, with a marker where one is named."""
    path = spool.workspace.inbox / "cards" / name
    path.write_bytes(DATA)
    if marker:
        path.with_name(marker).touch()
    return Arrival(b"cards", os.fsencode(name), path, sha, os.fsencode(marker))


def take(spool: Spool, arrival: Arrival) -> Claim:
    descriptor = os.open(arrival.path, os.O_RDONLY)
    try:
        return spool.take(arrival, descriptor, TAKING)
    finally:
        os.close(descriptor)


def is_as_it_was(spool: Spool, arrival: Arrival, data: bytes = DATA) -> bool:
    """Tell whether a deck lies where it lay, and nothing of a run is left."""
    left = list(spool.workspace.work.iterdir())
    return arrival.path.read_bytes() == data and not left and not spool.ledger.rows("waiting")


# ---- taking


def test_a_deck_that_is_taken_lies_in_its_run_and_stands_in_the_ledger(spool) -> None:
    arrival = arrived(spool, sha=sha256(DATA))
    claim = take(spool, arrival)
    home = spool.workspace.work / claim.run
    assert sorted(path.name for path in home.iterdir()) == sorted([CLAIM, DECK])
    assert (home / DECK).read_bytes() == DATA
    assert not arrival.path.exists()
    assert spool.claim_of(claim.run) == claim
    assert [row.run for row in spool.ledger.rows("waiting")] == [claim.run]
    assert (claim.deck.sha256, claim.deck.size, claim.job) == (sha256(DATA), len(DATA), "cards")


def test_a_deck_that_is_not_what_its_marker_says_is_not_taken(spool) -> None:
    arrival = arrived(spool, sha=sha256(b"other"))
    with pytest.raises(MarkerDiffersError, match="deck"):
        take(spool, arrival)
    assert is_as_it_was(spool, arrival)


def changed_after_hashing(spool: Spool, change) -> None:
    """Let something happen between the claim and the last look at the deck."""
    write = spool._write_claim  # noqa: SLF001 # to come in between

    def between(home: Path, claim: Claim) -> None:
        write(home, claim)
        change()

    spool._write_claim = between  # noqa: SLF001 # as above


def test_a_deck_that_grows_while_it_is_taken_is_not_taken(spool) -> None:
    arrival = arrived(spool)

    def grow() -> None:
        with arrival.path.open("ab") as file:
            file.write(b"more")

    changed_after_hashing(spool, grow)
    with pytest.raises(NotTakenError):
        take(spool, arrival)
    assert is_as_it_was(spool, arrival, DATA + b"more")


def test_a_deck_of_other_bytes_and_the_same_size_is_not_taken(spool) -> None:
    arrival = arrived(spool)
    changed_after_hashing(spool, lambda: arrival.path.write_bytes(b"B card\n"))
    with pytest.raises(NotTakenError):
        take(spool, arrival)
    assert is_as_it_was(spool, arrival, b"B card\n")


def test_a_deck_that_goes_away_while_it_is_taken_leaves_nothing(spool) -> None:
    arrival = arrived(spool)
    changed_after_hashing(spool, arrival.path.unlink)
    with pytest.raises(NotTakenError, match="deck"):
        take(spool, arrival)
    assert list(spool.workspace.work.iterdir()) == []


def test_a_deck_that_another_replaces_at_the_last_moment_goes_back(spool) -> None:
    arrival = arrived(spool)
    rename = spool.fs.rename_new

    class Late(Fs):
        """Another file takes the name between the last look and the rename."""

        def rename_new(self, source: Path, target: Path) -> None:
            if source == arrival.path:
                other = source.with_name("other")
                other.write_bytes(b"Z card\n")
                other.rename(source)
            rename(source, target)

    spool.fs = Late()
    with pytest.raises(NotTakenError, match="deck"):
        take(spool, arrival)
    assert is_as_it_was(spool, arrival, b"Z card\n")


@pytest.mark.parametrize(
    ("code", "kind"), [(errno.ENOENT, NotTakenError), (errno.EACCES, PermissionError)]
)
def test_a_rename_that_fails_leaves_the_deck_and_says_whether_it_went_away(
    spool, code, kind
) -> None:
    arrival = arrived(spool)

    class Failing(Fs):
        """No file can be moved."""

        def rename_new(self, source: Path, target: Path) -> None:
            raise OSError(code, os.strerror(code))

    spool.fs = Failing()
    with pytest.raises(kind):
        take(spool, arrival)
    assert is_as_it_was(spool, arrival)


def test_where_the_taking_cannot_be_flushed_the_service_must_start_again(spool) -> None:
    arrival = arrived(spool, marker="deck.ready")

    class Unflushed(Fs):
        """A disk that fails once the deck has moved."""

        def sync_folder(self, path: Path) -> None:
            if not arrival.path.exists():
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            super().sync_folder(path)

    spool.fs = Unflushed()
    with pytest.raises(RestartError, match=r"Input/output error\); start again"):
        take(spool, arrival)
    # the deck is in its run with its claim, where the next start finds it
    (home,) = spool.workspace.work.iterdir()
    assert sorted(path.name for path in home.iterdir()) == sorted([CLAIM, DECK])
    assert arrival.path.with_name("deck.ready").exists()


def test_a_marker_that_cannot_follow_its_deck_is_told_as_a_start_again(spool) -> None:
    arrival = arrived(spool, marker="deck.ready")

    class Stuck(Fs):
        """Everything moves but the marker."""

        def rename_new(self, source: Path, target: Path) -> None:
            if target.name == MARKER:
                raise OSError(errno.EACCES, os.strerror(errno.EACCES))
            super().rename_new(source, target)

    spool.fs = Stuck()
    with pytest.raises(RestartError, match="was taken, but not entered"):
        take(spool, arrival)


def test_what_a_cut_off_attempt_left_is_replaced_but_never_a_deck(spool) -> None:
    arrival = arrived(spool)
    claim = take(spool, arrival)
    home = spool.workspace.work / claim.run
    with pytest.raises(FileExistsError):
        spool._write_claim(home, claim)  # noqa: SLF001 # a step of taking
    assert (home / DECK).read_bytes() == DATA
    (home / DECK).unlink()
    (home / "scrap").touch()
    spool._write_claim(home, claim)  # noqa: SLF001 # as above
    assert [path.name for path in home.iterdir()] == [CLAIM]


def test_a_claim_that_finds_no_room_leaves_no_folder(spool) -> None:
    arrival = arrived(spool)

    class Full(Fs):
        """A disk without room for the claim."""

        def write_new(self, path: Path, data: bytes) -> None:
            path.write_bytes(data[:5])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    spool.fs = Full()
    with pytest.raises(OSError, match="No space") as caught:
        take(spool, arrival)
    assert caught.value.errno == errno.ENOSPC
    assert is_as_it_was(spool, arrival)


# ---- going back


def test_a_deck_goes_back_with_its_marker_to_where_it_lay(spool) -> None:
    arrival = arrived(spool, marker="deck.ready")
    claim = take(spool, arrival)
    home = spool.workspace.work / claim.run
    assert sorted(path.name for path in home.iterdir()) == sorted([CLAIM, DECK, MARKER])
    assert spool.back_to_inbox(claim)
    assert arrival.path.read_bytes() == DATA
    assert arrival.path.with_name("deck.ready").exists()
    assert list(spool.workspace.work.iterdir()) == []


def test_where_another_deck_has_the_name_it_does_not_go_back(spool) -> None:
    arrival = arrived(spool)
    claim = take(spool, arrival)
    arrival.path.write_bytes(b"another")
    assert not spool.back_to_inbox(claim)
    assert arrival.path.read_bytes() == b"another"
    assert (spool.workspace.work / claim.run / DECK).read_bytes() == DATA


def test_a_deck_that_comes_back_keeps_the_page_that_shows_why(spool) -> None:
    claim = take(spool, arrived(spool))
    home = spool.workspace.work / claim.run
    (home / FAILED_PAGE).write_text("page", encoding="utf-8")
    (home / "out.1").mkdir()
    reasons = spool.give_back(claim, [WHY])
    back = spool.workspace.returned / claim.run
    assert [entry.code for entry in reasons.entries] == ["damaged"]
    assert (back / DECK).read_bytes() == DATA
    assert (back / FAILED_PAGE).read_text(encoding="utf-8") == "page"
    assert not (back / "out.1").exists()
    assert spool.ledger.row(claim.run).state == "returned"


# ---- configs


def test_a_config_is_kept_once_and_a_broken_one_is_written_again(spool) -> None:
    snapshot, digest = b"{}", sha256(b"{}")
    path = spool.workspace.used / f"{digest}.json"
    spool.keep_config(digest, snapshot)
    first = path.stat().st_ino
    spool.keep_config(digest, snapshot)
    assert path.stat().st_ino == first
    path.write_bytes(b"torn")
    path.with_suffix(".tmp").write_bytes(b"left by a cut")
    spool.keep_config(digest, snapshot)
    assert path.read_bytes() == snapshot
    assert not path.with_suffix(".tmp").exists()


def test_a_config_is_on_the_disk_before_it_counts_as_kept(tmp_path) -> None:
    workspace, fs = Workspace(tmp_path / "w"), FaultFs()
    workspace.used.mkdir(parents=True)
    with closing(Ledger(tmp_path / "ledger.db")) as ledger:
        Spool(workspace, fs, ledger, Clock()).keep_config(sha256(b"{}"), b"{}")
    assert fs.trace[-2:] == [f"sync_folder {workspace.used}", "flush"]
    assert fs.trace[-3].startswith("replace ")


# ---- a start


def start(spool: Spool) -> Found:
    """Recover as a service does that starts."""
    return recover(spool, Lanes(spool.workspace, spool.fs, spool.ledger))


def grown(spool: Spool) -> tuple[Arrival, Claim]:
    """Take a deck to which bytes come while it lies in its run."""
    arrival = arrived(spool)
    claim = take(spool, arrival)
    with (spool.workspace.work / claim.run / DECK).open("ab") as file:
        file.write(b"late\n")
    return arrival, claim


def test_a_start_lays_a_deck_that_has_grown_back_into_the_inbox(spool) -> None:
    arrival, claim = grown(spool)
    found = start(spool)
    assert (found.back_in_inbox, found.damaged, found.waiting) == ([claim.run], [], 0)
    assert arrival.path.read_bytes() == DATA + b"late\n"


def test_where_its_name_is_taken_a_deck_that_has_grown_is_returned(spool) -> None:
    arrival, claim = grown(spool)
    arrival.path.write_bytes(b"another")
    found = start(spool)
    assert (found.back_in_inbox, found.damaged) == ([], [claim.run])
    back = spool.workspace.returned / claim.run
    assert (back / DECK).read_bytes() == DATA + b"late\n"
    assert load(Reasons, back / REASONS).entries[0].code == "late-bytes"
    assert arrival.path.read_bytes() == b"another"


def test_a_deck_that_ran_when_the_service_ended_waits_and_its_try_counts(spool) -> None:
    claim = take(spool, arrived(spool))
    spool.ledger.begin_try(claim.run, spool.clock.now())
    found = start(spool)
    assert (found.resumed, found.waiting) == ([claim.run], 1)
    (attempt,) = spool.ledger.tries_of(claim.run)
    assert (attempt.outcome, attempt.code) == ("died", SERVICE_ENDED)
    assert spool.ledger.row(claim.run).state == "waiting"
    # what was entered is not entered again
    assert start(spool).resumed == []
    assert spool.ledger.tries(claim.run) == 1


def test_a_held_deck_whose_claim_cannot_be_read_is_named_and_stays(spool) -> None:
    claim = take(spool, arrived(spool))
    spool.hold(claim.run)
    home = spool.workspace.hold / claim.run
    (home / CLAIM).write_bytes(b"torn")
    found = start(spool)
    assert len(found.problems) == 1
    assert found.problems[0].startswith(f"hold/{claim.run}: ")
    assert found.problems[0].endswith("resume it to have it given back")
    assert (home / DECK).read_bytes() == DATA


def test_a_held_deck_is_held_after_a_start_whatever_the_ledger_says(spool) -> None:
    claim = take(spool, arrived(spool))
    spool.hold(claim.run)
    spool.ledger.set_state(claim.run, "waiting")
    assert start(spool).problems == []
    assert spool.ledger.row(claim.run).state == "hold"
    assert (spool.workspace.hold / claim.run / DECK).read_bytes() == DATA


# ---- once more


def returned(spool: Spool) -> Row:
    """Give a deck back; return its row."""
    claim = take(spool, arrived(spool))
    spool.give_back(claim, [WHY])
    return spool.ledger.row(claim.run)


def test_a_deck_runs_again_in_a_run_of_its_own_and_only_once(spool) -> None:
    row = returned(spool)
    claim = spool.run_again(row, TAKING)
    assert claim.run != row.run
    assert (claim.again, claim.follows) == (row.run, None)
    for place in (spool.workspace.returned / row.run, spool.workspace.work / claim.run):
        assert (place / DECK).read_bytes() == DATA
    assert spool.claim_of(claim.run) == claim
    assert [each.run for each in spool.ledger.rows("waiting")] == [claim.run]
    assert spool.ledger.row(row.run).state == "returned"
    assert spool.run_again(row, TAKING) is None
    assert list(spool.workspace.tmp.iterdir()) == []


def test_bytes_that_came_late_make_a_run_that_follows_and_known_ones_do_not(spool) -> None:
    row = returned(spool)
    assert spool.run_again(row, TAKING, "late bytes") is None  # the bytes are those of the run
    assert list(spool.workspace.tmp.iterdir()) == list(spool.workspace.work.iterdir()) == []
    (spool.workspace.returned / row.run / DECK).write_bytes(DATA + b"late\n")
    claim = spool.run_again(row, TAKING, "late bytes")
    assert (claim.follows.run, claim.follows.because) == (row.run, "late bytes")
    assert claim.deck.sha256 == sha256(DATA + b"late\n")
    assert (spool.workspace.work / claim.run / DECK).read_bytes() == DATA + b"late\n"


def test_what_a_cut_off_copy_left_does_not_hinder_the_next(spool) -> None:
    row = returned(spool)
    left = spool.workspace.tmp / f"again-{row.run}"
    left.mkdir()
    (left / DECK).write_bytes(b"half")
    claim = spool.run_again(row, TAKING)
    assert (spool.workspace.work / claim.run / DECK).read_bytes() == DATA
    assert not left.exists()
