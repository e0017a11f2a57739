"""Personal text shows nowhere in a workspace but in decks and in deliveries that name its field."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from personal_help import CARDS, COPY, KEY, MASTER, NUMBER, PEOPLE, WORD, person, showing, stages
from personal_help import written as cards_written
from service.house import House, house, run_of

RAISES = '''"""Raises with what stands on a card."""

from deckwright import StageConfig, TrayStage, hookimpl


class Config(StageConfig):
    """None."""


class Stage(TrayStage[Config]):
    kind = "tells"

    def run(self, tray, book):
        raise ValueError(f"cannot bear {tray['family'].to_list()}")


@hookimpl
def deckwright_stages():
    return [Stage]
'''

RUNS = {
    "good": ("people", [*CARDS, *[person(n % 2 + 1) for n in range(9)]]),
    "fails": ("raises", CARDS),
    "too many": ("strict", CARDS * 2),
    "master": ("badmaster", CARDS),
}


@pytest.fixture(scope="module")
def served() -> Iterator[House]:
    with house() as made:
        config = made.root / "config"
        for name, text in (("people", PEOPLE), ("copy", COPY)):
            (config / "layouts" / f"{name}.toml").write_text(text)
        (config / "items.csv").write_text(MASTER)
        (config / "bad.csv").write_text(f"item,family,label\n00001,{WORD}\u4e00,one\n")
        (config / "parish.key").write_bytes(KEY)
        plugins = made.root / "config" / "jobs" / "tells.py"
        plugins.write_text(RAISES)
        files = {"items": "../items.csv", "personal_key": "../parish.key"}
        named = {"file": "by-name.csv", "form": "csv", "columns": ["card", "family"]}
        chain = stages(more=[named])
        options = {"files": files, "personal": ["owner"]}
        made.job("people", chain, **options)
        made.job("strict", [chain[0], {**chain[1], "most_returned": "5 %"}, *chain[2:]], **options)
        raising = [*chain[:2], {"kind": "tells"}, *chain[2:]]
        job = made.job("raises", raising, **options)
        job.write_text('plugins = ["tells.py"]\n' + job.read_text())
        made.job("badmaster", chain, **{**options, "files": {**files, "items": "../bad.csv"}})
        notice = '[[notice]]\nkind = "append-line"\noptions = { file = "notices.log" }\n'
        retry = {"first_wait_s": 0.1, "tries": 2, "breaker": 100}
        made.settings(notice, stall_s=0.5, retry=retry)
        runs = {
            name: made.drop(name, cards_written(cards), job) for name, (job, cards) in RUNS.items()
        }
        with made.serving():
            for name in ("good", "fails", "too many"):
                made.end_of(runs[name])
            made.told("job_held", job="badmaster")
            made.status()
        yield made


def run(made: House, name: str) -> str:
    """Return the run of one of the decks."""
    return run_of(name, cards_written(RUNS[name][1]))


def everything(made: House) -> dict[str, bytes]:
    """Return all files of the workspace and beside it but decks and what the owner put there."""
    own = {"items.csv", "bad.csv", "parish.key"}
    found = {}
    for path in [*made.root.rglob("*"), *made.root.parent.glob("house.*")]:
        if path.is_file() and path.name != "deck" and path.name not in own:
            found[str(path.relative_to(made.root.parent))] = path.read_bytes()
    found["status"] = "".join(map(str, made.say("status", made.root))).encode()
    return found


def test_personal_text_is_in_decks_and_named_deliveries_alone(served) -> None:
    files = everything(served)
    home = f"done/{run(served, 'good')}/"
    shown = {name.partition(home)[2] or name for name in showing(files)}
    assert shown == {"out/out/by-name.csv", "out/returned/good"}
    assert any(name.endswith("log.jsonl") for name in files)
    assert any("ledger" in name for name in files)


def test_the_decks_ended_as_they_were_meant_to(served) -> None:
    assert served.state(run(served, "good")) == "done"
    assert served.state(run(served, "fails")) == "returned"
    assert served.state(run(served, "too many")) == "returned"


def test_the_secret_is_copied_nowhere(served) -> None:
    for name, data in everything(served).items():
        assert KEY not in data, name
        assert KEY.hex().encode() not in data, name
    assert NUMBER not in KEY.decode("latin-1")
