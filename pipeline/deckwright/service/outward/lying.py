"""Decks that lie in the inbox, and why each was not taken yet: for people who look.

Nothing is decided from it.
"""

from __future__ import annotations

import contextlib
import heapq
import os
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from deckwright.jobs.service import ServiceSpec
from deckwright.service.inbox.settling import Route, Rules, Stamp
from deckwright.service.outward.state import State
from deckwright.service.store.holds import held_because
from deckwright.service.store.markers import OK, SHA256, deck_of
from deckwright.service.system.patterns import matcher
from deckwright.service.system.places import shown

MOST_LOOKED_AT = 5000
"""Names that are looked at in a folder, so that very many keep nobody waiting."""


@dataclass(frozen=True, slots=True)
class Lying:
    """A deck in the inbox. place: below the inbox, as people see it.

    since: seconds since the epoch, when it got its name or its last byte. why: in words.
    """

    place: str
    job: str
    since: float
    why: str


@dataclass(frozen=True, slots=True)
class Inboxes:
    """The inbox and what is known of it.

    routes: by name of an inbox folder. held: why jobs are held, by name. state: what the service
    tells of itself, with the strays and why nothing is taken.
    """

    root: Path
    spec: ServiceSpec
    routes: Mapping[str, Sequence[Route]]
    held: Mapping[str, str]
    state: State

    def lying(self, most: int, now: float) -> list[Lying]:
        """Return the decks that lie there longest. now: seconds since the epoch."""
        strays = {stray.place: stray.why for stray in self.state.strays}
        found = (each for folder in self.routes for each in self._of(folder, strays, now))
        return heapq.nsmallest(most, found, key=lambda each: (each.since, each.place))

    def _of(self, folder: str, strays: Mapping[str, str], now: float) -> Iterator[Lying]:
        routes, ignored = self.routes[folder], matcher(tuple(self.spec.ignore))
        marked, rules = any(route.require_marker for route in routes), Rules.of(self.spec)
        with contextlib.suppress(OSError), os.scandir(self.root / folder) as entries:
            for entry in islice(entries, MOST_LOOKED_AT):
                name = entry.name
                if ignored.match(name) or (marked and deck_of(name)):
                    continue
                route = next((each for each in routes if each.takes(name)), None)
                with contextlib.suppress(FileNotFoundError):
                    status = entry.stat(follow_symlinks=False)
                    if route and stat.S_ISREG(status.st_mode):
                        place = shown(f"{folder}/{name}")
                        why = strays.get(place)
                        why = why or self._why(folder, name, route, status, rules, now)
                        yield Lying(place, route.job, status.st_ctime, why)

    def _why(
        self,
        folder: str,
        name: str,
        route: Route,
        status: os.stat_result,
        rules: Rules,
        now: float,
    ) -> str:
        path = self.root / folder / name
        if route.job in self.held:
            return held_because(self.held[route.job])
        if self.state.paused:
            return f"no decks are taken: {self.state.paused}"
        if route.require_marker and not any(
            os.path.lexists(f"{path}{suffix}") for suffix in (OK, SHA256)
        ):
            return f"waits for {shown(name)}{OK} or {shown(name)}{SHA256}"
        verdict = rules.judge(Stamp.of(status), route.card_bytes)
        if verdict.code:
            return verdict.sentence
        if now < status.st_ctime + verdict.wait_s:
            return f"just came; it is taken once it has looked the same for {verdict.wait_s:g} s"
        return "waits for its turn"
