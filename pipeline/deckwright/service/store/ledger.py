"""The ledger: tries, times and what was done before. The folders are the truth; it can be rebuilt.

SQLite in WAL mode, one writing connection, local disk only. Every commit is flushed, but for those
by which a run is entered that was taken or has ended: its folder, flushed before, says so too. File
names are kept as bytes, since a name need not be text.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Sequence

from deckwright.service.store.database import (
    Database,
    LedgerError,
    LedgerFullError,
    NewerLedgerError,
)
from deckwright.service.store.records import Claim, LaneStep
from deckwright.service.store.tables import End, PastTry, Row, Try
from deckwright.service.system.places import run_prefix

__all__ = ["EXCUSED", "OPEN_STATES", "Ledger", "LedgerError", "LedgerFullError", "NewerLedgerError"]

EXCUSED = "excused"
"""Outcome of a try that no longer counts against its deck."""

OPEN_STATES = ("waiting", "running", "hold")
"""States of runs that have not ended."""


_PACKINGS = (b".zip", b".tar", b".tgz", b".tar.gz")
_PACKED = (b".zip", b".tar", b".tgz", b".gz")


class Ledger(Database):
    """The one writing connection."""

    # ---- writing

    def add(self, claim: Claim, mtime_ns: int) -> None:
        """Enter a run that was taken, without a flush; nothing when it stands there already."""
        with self._unhurried():
            self._add(claim, mtime_ns)

    def _add(self, claim: Claim, mtime_ns: int) -> None:
        deck = claim.deck
        if claim.open_end:  # first: whoever finds the run finds how its deck ends
            self._do(
                "INSERT INTO open_ends (run, tail) VALUES (?,?)"
                " ON CONFLICT (run) DO UPDATE SET tail=excluded.tail",
                (claim.run, claim.open_end),
            )
        if claim.continues:
            self._do(
                "INSERT INTO open_ends (run, continued_by) VALUES (?,?)"
                " ON CONFLICT (run) DO UPDATE SET continued_by=excluded.continued_by",
                (claim.continues.run, claim.run),
            )
        self._do(
            "INSERT OR IGNORE INTO runs (run, prefix, n, name, folder, job, config, sha256, size,"
            " place, state, taken_at, follows, again, mtime_ns, lane)"
            " VALUES (?,?,?,?,?,?,?,?,?,?,'waiting',?,?,?,?,?)",
            (
                claim.run,
                run_prefix(deck.sha256, deck.name_bytes),
                int(claim.run.rpartition("-")[2]),
                deck.name_bytes,
                bytes.fromhex(claim.folder),
                claim.job,
                claim.config,
                deck.sha256,
                deck.size,
                claim.order,
                claim.taken_at,
                claim.follows.run if claim.follows else None,
                claim.again,
                mtime_ns,
                claim.lane,
            ),
        )

    def begin_try(self, run: str, at: str) -> int:
        """Count a try before its worker is told; return its number."""
        number = self.tries(run) + 1
        self._do("BEGIN IMMEDIATE")
        self._do("INSERT INTO tries (run, number, at) VALUES (?,?,?)", (run, number, at))
        self._do("UPDATE runs SET state='running' WHERE run=?", (run,))
        self._do("COMMIT")
        return number

    def end_try(self, run: str, outcome: str, code: str, stage: str, sentence: str,
                calls: Sequence[str]) -> None:  # fmt: skip
        """Enter how the last try ended; the run waits again."""
        self._do("BEGIN IMMEDIATE")
        self._do(
            "UPDATE tries SET outcome=?, code=?, stage=?, sentence=?, calls=? WHERE run=?"
            " AND number=(SELECT max(number) FROM tries WHERE run=?)",
            (outcome, code, stage, sentence, json.dumps(list(calls)), run, run),
        )
        self._do("UPDATE runs SET state='waiting' WHERE run=?", (run,))
        self._do("COMMIT")

    def drop_try(self, run: str) -> None:
        """Take the last try back: the deck was not at fault, and the run waits again."""
        self._do("BEGIN IMMEDIATE")
        self._do(
            "DELETE FROM tries WHERE run=? AND number=(SELECT max(number) FROM tries WHERE run=?)",
            (run, run),
        )
        self._do("UPDATE runs SET state='waiting' WHERE run=? AND state='running'", (run,))
        self._do("COMMIT")

    def excuse(self, job: str) -> None:
        """Let the tries of a job's open decks count no more: the fault lay with the job."""
        self._do(
            "UPDATE tries SET outcome=? WHERE outcome<>'' AND run IN"
            " (SELECT run FROM runs WHERE job=? AND state IN ('waiting','hold'))",
            (EXCUSED, job),
        )

    def renew(self, claim: Claim) -> None:
        """Enter with what a waiting deck is to be run now."""
        self._do(
            "UPDATE runs SET config=?, lane=? WHERE run=?", (claim.config, claim.lane, claim.run)
        )

    def set_state(self, run: str, state: str, code: str = "") -> None:
        """Enter a state, and why the run is in it where that is no wish of an operator."""
        self._do("UPDATE runs SET state=?, code=? WHERE run=?", (state, code, run))

    def enter_end(self, at: str, lived: float, runs: Sequence[str]) -> None:
        """Enter that the service ended and nobody had asked for it."""
        values = (at, lived, json.dumps(list(runs)))
        self._do("INSERT INTO ends (at, lived, runs) VALUES (?,?,?)", values)

    def note_through(self) -> None:
        """Enter that a run came to its end since the service ended last."""
        self._do("UPDATE ends SET through=1 WHERE number=(SELECT max(number) FROM ends)")

    def clear_ends(self) -> None:
        """Strike out the ends of the service: they are explained."""
        self._do("DELETE FROM ends")

    def end(self, run: str, state: str, at: str, *, code: str = "", cards: int = 0,
            cards_returned: int = 0, lane: LaneStep | None = None) -> None:  # fmt: skip
        """Enter that a run is done or returned, without a flush where no master moves on by it."""
        step = (lane.lane, lane.number, lane.parent, lane.next, lane.file) if lane else (None,) * 5
        if lane and lane.after is not None:  # first: whoever finds the move finds its count
            self._do("INSERT OR REPLACE INTO masters VALUES (?,?)", (run, lane.after))
        with contextlib.nullcontext() if lane else self._unhurried():
            self._do(
                "UPDATE runs SET state=?, ended_at=CASE ended_at WHEN '' THEN ? ELSE ended_at END,"
                " code=?, cards=?, cards_returned=?, lane=coalesce(?, lane), move=?, parent=?,"
                " next=?, file=? WHERE run=?",
                (state, at, code, cards, cards_returned, *step, run),
            )

    def forget(self, run: str) -> None:
        """Strike out a run whose deck went back to the inbox."""
        self._do("DELETE FROM tries WHERE run=?", (run,))
        self._do("DELETE FROM runs WHERE run=?", (run,))
        self._do("DELETE FROM open_ends WHERE run=?", (run,))
        self._do("UPDATE open_ends SET continued_by='' WHERE continued_by=?", (run,))

    def mark_late(self, run: str) -> None:
        """Enter that bytes came to a deck after its run had ended."""
        self._do("UPDATE runs SET late=1 WHERE run=?", (run,))

    def note_mtime(self, run: str, mtime_ns: int) -> None:
        """Enter that a deck was touched, but holds the same bytes."""
        self._do("UPDATE runs SET mtime_ns=? WHERE run=?", (mtime_ns, run))

    def mark_delivered(self, run: str, at: str) -> None:
        """Enter that the copies of a run are made."""
        self._do("UPDATE runs SET delivered=? WHERE run=?", (at, run))

    # ---- reading

    def rows(self, *states: str) -> list[Row]:
        """Return the runs in these states, in the order in which they were taken."""
        marks = ",".join("?" * len(states))
        found = self._do(f"SELECT * FROM runs WHERE state IN ({marks}) ORDER BY place", states)  # noqa: S608 # marks only
        return [Row(*row) for row in found]

    def row(self, run: str) -> Row | None:
        """Return a run."""
        found = self._do("SELECT * FROM runs WHERE run=?", (run,)).fetchone()
        return Row(*found) if found else None

    def states(self) -> Iterator[tuple[str, str]]:
        """Yield every run with its state."""
        yield from self._do("SELECT run, state FROM runs")

    def last_n(self, prefix: str) -> int:
        """Return the highest number of a run of these bytes under this name, 0 = none."""
        return self._number("SELECT coalesce(max(n),0) FROM runs WHERE prefix=?", prefix)

    def last_place(self) -> int:
        """Return the place of the deck that was taken last, 0 = none."""
        return self._number("SELECT coalesce(max(place),0) FROM runs")

    def done_before(self, sha256: str, name: bytes | None, config: str | None) -> str | None:
        """Return the latest done run of these bytes; name, config: None = whichever."""
        found = self._do(
            "SELECT run FROM runs WHERE sha256=? AND state='done' AND (? IS NULL OR name=?)"
            " AND (? IS NULL OR config=?) ORDER BY place DESC LIMIT 1",
            (sha256, name, name, config, config),
        ).fetchone()
        return str(found[0]) if found else None

    def named_otherwise(self, sha256: str, name: bytes, config: str) -> str | None:
        """Return the latest run of these bytes under another name that was not returned."""
        found = self._do(
            "SELECT run FROM runs WHERE sha256=? AND config=? AND state<>'returned' AND name<>?"
            " ORDER BY place DESC LIMIT 1",
            (sha256, config, name),
        ).fetchone()
        return str(found[0]) if found else None

    def repaired_by(self, job: str, name: bytes) -> Row | None:
        """Return the latest ended run of this job and name, when something of it came back.

        Names that differ in how a deck is packed count as one: an archive may come back as another.
        """
        names = _packed_otherwise(name)
        found = self._do(
            f"SELECT * FROM runs WHERE job=? AND name IN ({','.join('?' * len(names))})"  # noqa: S608 # marks alone
            " AND state IN ('done','returned') ORDER BY place DESC LIMIT 1",
            (job, *names),
        ).fetchone()
        row = Row(*found) if found else None
        back = row and (row.cards_returned or (row.state == "returned" and row.code != "duplicate"))
        return row if back else None

    def goes_on(self, job: str, folder: bytes, name: bytes, since: str) -> tuple[Row, int] | None:
        """Return the latest run of this job, folder and name, if its deck has an open end.

        Args:
            job: of the deck.
            folder: its folder in the inbox.
            name: its name there.
            since: the run was taken then or later.

        Returns:
            The run, and the bytes of its open last line.
        """
        found = self._do(
            "SELECT * FROM runs WHERE job=? AND name=? AND folder=? ORDER BY place DESC LIMIT 1",
            (job, name, folder),
        ).fetchone()
        row = Row(*found) if found else None
        if row is None or row.taken_at < since:
            return None
        tail = self.open_end(row.run)
        return (row, tail) if tail else None

    def continued_by(self, run: str) -> str:
        """Return the run that seems to be the rest of a run's deck, "" where there is none."""
        found = self._do("SELECT continued_by FROM open_ends WHERE run=?", (run,)).fetchone()
        return str(found[0]) if found else ""

    def open_end(self, run: str) -> int:
        """Return the bytes of the last line of a run's deck where that has no line end, else 0."""
        return self._number("SELECT coalesce(max(tail),0) FROM open_ends WHERE run=?", run)

    def again_of(self, run: str) -> str | None:
        """Return the run that an operator had made of an ended one."""
        found = self._do("SELECT run FROM runs WHERE again=?", (run,)).fetchone()
        return str(found[0]) if found else None

    def last_of_lane(self, lane: str) -> Row | None:
        """Return the done run that moved a master on last."""
        found = self._do(
            "SELECT * FROM runs WHERE lane=? AND state='done' AND move IS NOT NULL"
            " ORDER BY move DESC LIMIT 1",
            (lane,),
        ).fetchone()
        return Row(*found) if found else None

    def moves_of_lane(self, lane: str) -> list[Row]:
        """Return the done runs that moved a master on, the first one first."""
        found = self._do(
            "SELECT * FROM runs WHERE lane=? AND state='done' AND move IS NOT NULL ORDER BY move",
            (lane,),
        )
        return [Row(*row) for row in found.fetchall()]

    def records_left(self, run: str) -> int | None:
        """Return how many records the master has that a run left; None where nobody has said."""
        found = self._do("SELECT records FROM masters WHERE run=?", (run,)).fetchone()
        return int(found[0]) if found else None

    def tries(self, run: str) -> int:
        """Return how many tries of a run count."""
        return self._number("SELECT coalesce(max(number),0) FROM tries WHERE run=?", run)

    def tries_of(self, run: str) -> list[Try]:
        """Return the tries of a run."""
        found = self._do(
            "SELECT number, at, outcome, code, stage, sentence, calls FROM tries"
            " WHERE run=? ORDER BY number",
            (run,),
        )
        return [
            Try(number, at, outcome, code, stage, sentence, json.loads(calls))
            for number, at, outcome, code, stage, sentence, calls in found
        ]

    def ends(self) -> list[End]:
        """Return the ends of the service that are not explained, the latest last."""
        found = self._do("SELECT at, lived, runs, through FROM ends ORDER BY number")
        return [End(at, lived, json.loads(runs), bool(done)) for at, lived, runs, done in found]

    def past_tries(self, most: int) -> Iterator[PastTry]:
        """Yield the latest tries of all runs, so many at most, the latest first."""
        found = self._do(
            "SELECT job, run, state='done' AND number=(SELECT max(number) FROM tries AS own"
            " WHERE own.run=tries.run), outcome, tries.code, stage"
            " FROM tries JOIN runs USING (run) ORDER BY tries.rowid DESC LIMIT ?",
            (most,),
        )
        for job, run, through, outcome, code, stage in found:
            yield PastTry(job, run, bool(through), outcome, code, stage)

    def ended_after(self, place: int, since: str, most: int) -> list[Row]:
        """Return ended runs, but for changed decks, taken after a place and ended since a time."""
        found = self._do(
            "SELECT * FROM runs WHERE place>? AND state IN ('done','returned') AND late=0"
            " AND code NOT IN ('damaged','late-bytes') AND ended_at>=? ORDER BY place LIMIT ?",
            (place, since, most),
        )
        return [Row(*row) for row in found]

    def undelivered(self, jobs: Sequence[str], most: int) -> list[Row]:
        """Return done runs of these jobs whose copies are not made."""
        marks = ",".join("?" * len(jobs))
        found = self._do(
            f"SELECT * FROM runs WHERE state='done' AND delivered='' AND job IN ({marks})"  # noqa: S608 # marks only
            " ORDER BY place LIMIT ?",
            (*jobs, most),
        )
        return [Row(*row) for row in found]

    def latest(self, state: str, most: int) -> list[Row]:
        """Return the runs in a state that were taken last, the latest first, so many at most."""
        found = self._do(
            "SELECT * FROM runs WHERE state=? ORDER BY place DESC LIMIT ?", (state, most)
        )
        return [Row(*row) for row in found]

    def ended_last(self, most: int) -> list[Row]:
        """Return the runs that ended last, the latest first, so many at most."""
        found = self._do(
            "SELECT * FROM runs WHERE state IN ('done','returned')"
            " ORDER BY ended_at DESC, place DESC LIMIT ?",
            (most,),
        )
        return [Row(*row) for row in found]

    def jobs_by_state(self, *states: str) -> list[tuple[str, str, int]]:
        """Return state, job and how many runs of it are in that state."""
        marks = ",".join("?" * len(states))
        sql = f"SELECT state, job, count(*) FROM runs WHERE state IN ({marks}) GROUP BY state, job"  # noqa: S608 # marks only
        return [(str(state), str(job), int(many)) for state, job, many in self._do(sql, states)]

    def counts(self) -> dict[str, int]:
        """Return how many runs are in each state."""
        found = self._do("SELECT state, count(*) FROM runs GROUP BY state")
        return {str(state): int(many) for state, many in found}

    def _number(self, sql: str, *values: object) -> int:
        return int(self._do(sql, values).fetchone()[0])


def _packed_otherwise(name: bytes) -> list[bytes]:
    """Return the names that a deck may have had before it came back, the given one first."""
    stem = name
    while end := next((end for end in _PACKED if stem.lower().endswith(end)), b""):
        stem = stem[: -len(end)]
    if not stem:
        return [name]
    return list(dict.fromkeys([name, stem, *(stem + end for end in _PACKINGS)]))
