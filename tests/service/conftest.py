"""What the tests of the service share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from deckwright.service.inbox import watcher
from service.fetch_kit import Scene
from service.inbox_kit import Box
from service.pool_kit import pool_workplace
from service.watch_kit import EVENTS, POLL_S, Watch
from service.workplace import CANARY, Workplace


@pytest.fixture
def counts(request: pytest.FixtureRequest) -> Callable[..., None]:
    """Return a writer of figures into the report of a test, such as how often it was cut off."""
    return lambda **figures: request.node.user_properties.extend(figures.items())


# ---- the inbox, and what watches it


@pytest.fixture
def box(tmp_path: Path) -> Box:
    """Return an inbox with one folder."""
    return Box(tmp_path / "inbox")


@pytest.fixture
def make_box(tmp_path: Path) -> Callable[..., Box]:
    """Return a maker of an inbox with routes and options."""
    return lambda *routes, **options: Box(tmp_path / "inbox", *routes, **options)


@pytest.fixture
def _events(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write down each event before it wakes the service; poll often."""
    EVENTS.clear()
    dispatch = watcher._Handler.dispatch  # noqa: SLF001 # to listen, not to change

    def listen(self: Any, event: Any) -> None:
        dispatch(self, event)
        EVENTS.append(event)

    monkeypatch.setattr(watcher._Handler, "dispatch", listen)  # noqa: SLF001
    monkeypatch.setattr(watcher, "_POLL_S", POLL_S)


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Callable[..., Watch]]:
    """Return a maker of watched inboxes; none is watched afterwards."""
    made: list[Watch] = []

    def make(kind: str = "native", *folders: str, **told: Any) -> Watch:
        made.append(Watch(tmp_path / "inbox", kind, *folders, **told))
        return made[-1]

    yield make
    for each in made:
        each.watcher.stop()


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    """Return a share, a workspace and the fetching between them."""
    return Scene(tmp_path)


# ---- the pool


@pytest.fixture(scope="session")
def pool_cards(shop) -> bytes:
    """Return a deck for every job of the pool."""
    return shop.lines([shop.receipt(number % 97, note=CANARY) for number in range(50)])


@pytest.fixture(scope="session")
def pool_place(shop, tmp_path_factory: pytest.TempPathFactory) -> Workplace:
    """Return a workspace with the jobs of `pool_kit`."""
    return pool_workplace(tmp_path_factory.mktemp("pool") / "workspace", shop)
