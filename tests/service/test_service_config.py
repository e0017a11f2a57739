"""Which deck gets which job, and what becomes of decks when the config changes under them."""

from __future__ import annotations

import json
import signal

import pytest

from service.house import LAYOUT, House, card, cards_of, chain, deck, house
from sets import sizes


@pytest.fixture(scope="module")
def served():
    """Give a house that is served, with jobs that share an inbox folder by name patterns."""
    with house() as made:
        made.job("receipts", inbox="shared", names=["*.rcp", "R[0-9]*"])
        made.job("issues", inbox="shared", names=["*.iss"])
        with made.serving():
            yield made
        made.check(ended=True)


# ---- routing


@pytest.mark.parametrize(
    ("folder", "name", "job"),
    [
        ("cards", "any name", "cards"),
        ("shared", "week.rcp", "receipts"),
        ("shared", "R7", "receipts"),
        ("shared", "week.iss", "issues"),
    ],
)
def test_the_folder_and_the_pattern_of_the_name_decide_which_job_runs(
    folder, name, job, served
) -> None:
    run = served.drop(name, deck(card(3, note=name)), folder)
    served.done(run)
    assert served.claim(run).job == job


def test_what_no_job_takes_stays_and_is_listed_until_it_is_moved_where_it_belongs(served) -> None:
    data = cards_of(5)
    homeless = [
        served.root / "inbox" / place for place in ("lost.rcp", "shared/lost.dat", "none/lost.iss")
    ]
    homeless[2].parent.mkdir()
    for path in homeless:
        path.write_bytes(data)
    for place in ("lost.rcp", "shared/lost.dat", "none/lost.iss"):
        assert served.told("stray_seen", place=place)["why"]
    listed = served.wait(lambda: strays(served), "all three in the status")
    assert "shared" in listed["lost.rcp"]
    assert listed["shared/lost.dat"] == "has a name that no job of this folder takes"
    assert listed["none/lost.iss"] == "lies in a folder that is no job's"
    assert [path.read_bytes() for path in homeless] == [data] * 3
    inbox = served.root / "inbox" / "shared"
    served.dropped += [("lost.rcp", data), ("lost.dat.iss", data)]
    homeless[0].rename(inbox / "lost.rcp")
    homeless[1].rename(inbox / "lost.dat.iss")
    homeless[2].unlink()
    homeless[2].parent.rmdir()
    for name, job in (("lost.rcp", "receipts"), ("lost.dat.iss", "issues")):
        facts = served.told("deck_taken", deck=name)
        served.done(facts["run"])
        assert facts["job"] == job


def strays(made: House) -> dict[str, str]:
    """Return what the status says of strays, nothing before there are three."""
    found = {each["place"]: each["why"] for each in made.status()["strays"]}
    return found if len(found) == 3 else {}


def test_names_of_files_that_are_being_copied_are_passed_over(served) -> None:
    inbox = served.root / "inbox" / "shared"
    half = inbox / "half.rcp.part"
    half.write_bytes(b"half a deck")
    after = served.drop("after.rcp", cards_of(6), "shared")
    served.done(after)
    assert half.exists()
    whole = deck(card(6, 6))
    half.write_bytes(whole)
    half.rename(inbox / "half.rcp")
    served.dropped.append(("half.rcp", whole))
    served.done(served.told("deck_taken", deck="half.rcp")["run"])


# ---- at the start


def test_a_service_file_with_faults_is_refused_with_file_and_line() -> None:
    with house() as made:
        path = made.workspace.service_file
        path.write_text('# settings\nworkers = 2\nsettel_s = 2\n\n[limits]\nmemory = "much"\n')
        before = made.workspace.ledger.exists()
        code, out, err = made.call("watch", made.root)
        assert code == 78
        assert out == ""
        assert f"{path}:3: unknown key 'settel_s'; did you mean 'settle_s'" in err
        assert f"{path}:6: limits.memory: " in err
        assert made.workspace.ledger.exists() == before


def test_a_job_with_faults_is_told_and_the_others_are_served() -> None:
    with house() as made:
        bad = made.job("bad")
        bad.write_text(bad.read_text().replace('kind = "validate"', 'kind = "valiadte"'))
        run = made.drop("good.txt", cards_of(1))
        waits = made.drop("waits.txt", cards_of(1), "bad")
        with made.serving():
            made.done(run)
            fault = made.told("job_refused")["fault"]
            assert fault.startswith("config/jobs/bad.toml:")
            assert "valiadte" in fault
            made.wait(lambda: fault in made.status()["health"], "the fault in the health")
            assert made.state(waits) == ""
            made.job("bad")
            made.signal(signal.SIGHUP)
            made.done(waits)
        assert made.check(ended=True).done == 2


def test_a_notice_with_faults_is_told_at_the_start_with_file_and_line() -> None:
    with house() as made:
        made.settings(WRONG_NOTICE)
        lines = made.workspace.service_file.read_text().splitlines()
        run = made.drop("good.txt", cards_of(1))
        with made.serving():
            made.done(run)
            options = lines.index("[[notice]]") + 3
            place = f"config/service.toml:{options}: notice 1 (append-line): "
            fault = f"{place}the key 'file' is missing"
            assert fault in [each["problem"] for each in made.events("notice_failed")]
            made.wait(lambda: fault in made.status()["health"], "the fault in the health")


def test_a_folder_that_is_no_workspace_is_refused(tmp_path) -> None:
    code, _, err = House.say("watch", tmp_path / "nothing")
    assert code == 78
    assert "deckwright init" in err


# ---- reload


def test_a_reload_takes_over_new_jobs_and_changed_ones() -> None:
    with house() as made, made.serving():
        before = made.drop("before.txt", cards_of(1))
        made.done(before)
        made.job("cards", title="Changed")
        made.job("fresh")
        made.signal(signal.SIGHUP)
        assert made.told("config_reloaded")["jobs"] == ["cards", "fresh"]
        assert (made.root / "inbox" / "fresh").is_dir()
        after, fresh = made.drop("after.txt", cards_of(2)), made.drop("f", cards_of(3), "fresh")
        for run in (after, fresh):
            made.done(run)
        assert made.manifest(before).config != made.manifest(after).config
        # under a changed config the same deck is another piece of work
        made.drop("before.txt", cards_of(1))
        made.done(before[:-1] + "2")


WRONG_NOTICE = '[[notice]]\nkind = "append-line"\noptions = { fiel = "x" }\n'


@pytest.mark.parametrize("what", ["layout", "service file", "notice"])
def test_a_config_with_faults_is_refused_whole_and_the_old_one_goes_on(what, reloading) -> None:
    made, name = reloading, f"new-{what.replace(' ', '-')}"
    path = {
        "layout": made.root / "config" / "layouts" / "stock.toml",
        "service file": made.workspace.service_file,
        "notice": made.workspace.service_file,
    }[what]
    fresh = made.job(name)
    good = path.read_text()
    refused, reloaded = len(made.events("config_refused")), len(made.events("config_reloaded"))
    path.write_text(f"{good}{WRONG_NOTICE}" if what == "notice" else f"unheard_of = 1\n{good}")
    try:
        made.signal(signal.SIGHUP)
        made.wait(lambda: len(made.events("config_refused")) > refused, "a refusal")
        fault = made.events("config_refused")[-1]["fault"]
        said = "notice 1 (append-line): the key 'file' is missing"
        said = said if what == "notice" else f"{path.name}:1: unknown key 'unheard_of'"
        assert said in fault
        made.wait(lambda: fault in made.status()["health"], "the fault in the health")
        run = made.drop(f"{name}.txt", deck(card(3, note=name)))
        made.done(run)
        assert not (made.root / "inbox" / name).exists()
    finally:
        path.write_text(good)
    made.signal(signal.SIGHUP)
    made.wait(lambda: len(made.events("config_reloaded")) > reloaded, "a reload")
    made.wait(lambda: made.status()["health"] == [], "a well service")
    assert (made.root / "inbox" / name).is_dir()
    fresh.unlink()


@pytest.fixture(scope="module")
def reloading():
    with house() as made, made.serving():
        yield made


@pytest.mark.slow
def test_decks_keep_the_config_with_which_they_were_taken() -> None:
    with house() as made:
        made.gated("slow")
        made.settings(workers=2)
        with made.serving():
            old = [made.drop(f"{n}.txt", cards_of(n), "slow") for n in range(3)]
            for run in old:
                made.told("deck_taken", run=run)
            taken = {run: made.claim(run).config for run in old}
            assert len(set(taken.values())) == 1
            made.at_gate("slow", 2)
            made.gated("slow", title="Changed")
            layout = made.root / "config" / "layouts" / "stock.toml"
            layout.write_text(LAYOUT.replace('columns = "12-40"', 'columns = "12-20"'))
            made.signal(signal.SIGHUP)
            made.told("config_reloaded")
            made.open_gate("slow")
            for run in old:
                made.done(run)
            new = made.drop("new.txt", cards_of(9), "slow")
            made.done(new)
            assert {run: made.manifest(run).config for run in old} == taken
            assert {run: made.claim(run).config for run in old} == taken
            assert made.manifest(new).config not in taken.values()
            for run, title in ((old[2], "Test"), (new, "Changed")):
                text = (made.root / "done" / run / "out" / "config" / "job.toml").read_text()
                assert f'title = "{title}"' in text
        assert made.check(ended=True).done == 4


def swap(made: House, number: int) -> None:
    """Put another config in the place of the one in use, every third one with a fault."""
    stage = {"kind": "sort", "keys": ["item"]}
    path = made.job("cards", chain(*[stage] * (number % 2)), title=f"Number {number}")
    if number % 3 == 2:
        path.write_text(path.read_text().replace("[[stage]]", "[[stagee]]", 1))
    made.signal(signal.SIGHUP)


@pytest.mark.parametrize("swaps", sizes(slow=4, long=50))
def test_however_often_the_config_is_swapped_each_run_is_of_the_config_of_its_claim(swaps) -> None:
    with house() as made, made.serving():
        runs = []
        for number in range(swaps):
            decks = {f"{number}-{more}": cards_of(3 * number + more) for more in range(3)}
            runs += made.drop_all(decks)
            answers = len(made.events("config_reloaded")) + len(made.events("config_refused"))
            swap(made, number)
            made.wait(
                lambda before=answers: len(made.events("config_reloaded"))
                + len(made.events("config_refused")) > before,
                "an answer to the signal",
            )  # fmt: skip
        for run in runs:
            home = made.done(run)
            config = made.claim(run).config
            assert made.manifest(run).config == config
            kept = json.loads((made.workspace.used / f"{config}.json").read_text())
            job = (home / "out" / "config" / "job.toml").read_text()
            assert kept["files"]["job.toml"]["text"] == job
        assert len(made.events("config_refused")) == swaps // 3
