"""What the service keeps for those who look: metrics, the page, and links by the name of a deck."""

from __future__ import annotations

import dataclasses
import re
import socket
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families

import deckwright.service
from deckwright.jobs.service import ServiceSpec
from deckwright.service.inbox.settling import Route
from deckwright.service.outward.byname import link_name
from deckwright.service.outward.codewords import MEANINGS, meaning
from deckwright.service.outward.lying import Inboxes
from deckwright.service.outward.metrics import CONTENT_TYPE, Endpoint, Figures, Meter
from deckwright.service.outward.state import State
from service.house import House, card, cards_of, deck, house, run_of

UNREADABLE = "ß\n".encode("utf-16")
SERVICE = Path(deckwright.service.__file__).parent
Metrics = dict[tuple[str, ...], float]


def parsed(text: str) -> Metrics:
    """Return sample name and label values to value, as the parser of the form reads it."""
    assert text.endswith("# EOF\n")
    return {
        (sample.name, *(sample.labels[key] for key in sorted(sample.labels))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def metrics(made: House) -> Metrics:
    return parsed((made.root / "control" / "metrics.txt").read_text("utf-8"))


@pytest.fixture(scope="module")
def ended():
    """Give a house whose service has ended: a deck with a bad card, its repair, a returned one."""
    with house() as made:
        made.drop("week-24.txt", deck(card(1), "XX"))
        made.drop("<b>&amp;.txt", UNREADABLE)
        made.once()
        made.drop("week-24.txt", cards_of(24))
        made.once()
        yield made


def test_the_metrics_say_what_the_status_says(ended) -> None:
    found, status = metrics(ended), ended.status()
    for key, word in (("in_inbox", "inbox"), *((each, each) for each in ("done", "returned"))):
        assert found["deckwright_decks", "cards", word] == status[key], word
    assert found["deckwright_runs_total", "cards", "done"] == 1  # since the service began
    assert found["deckwright_cards_total", "cards", "in"] == len(cards_of(24).splitlines())
    assert found["deckwright_tries_total", "cards", "done"] == 1
    assert found["deckwright_run_seconds_total", "cards"] > 0
    assert abs(found["deckwright_free_bytes",] - status["free_bytes"]) < 2**30
    assert (
        found["deckwright_started_timestamp_seconds",]
        <= found["deckwright_last_done_timestamp_seconds",]
    )
    assert ("deckwright_held_jobs",) in found


def test_the_metrics_follow_a_service_that_works() -> None:
    with house(workers=1) as made:
        made.gated("slow")
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        made.settings(metrics_port=port)
        with made.serving():
            for number in range(2):
                made.told("deck_taken", run=made.drop(f"{number}.txt", cards_of(number), "slow"))
            made.at_gate("slow")
            made.say("hold", made.root, "cards")
            url = f"http://127.0.0.1:{port}/metrics"

            def look() -> Metrics:
                with urllib.request.urlopen(url, timeout=10) as answer:  # our own
                    assert answer.headers["Content-Type"] == CONTENT_TYPE
                    return parsed(answer.read().decode())

            made.wait(lambda: look().get(("deckwright_held_jobs",)) == 1, "a look")
            found = look()
            assert found["deckwright_decks", "slow", "running"] == 1
            assert found["deckwright_oldest_waiting_seconds",] > 0
            assert found["deckwright_decks", "slow", "waiting"] == 1
            with pytest.raises(urllib.error.HTTPError):
                urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10)
            made.open_gate("slow")


def test_a_port_that_is_in_use_is_told_and_stops_nothing() -> None:
    with house() as made, socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        made.settings(metrics_port=port)
        with made.serving():
            made.done(made.drop("plain.txt", cards_of(1)))
            made.wait(lambda: f"no metrics on port {port}" in str(made.status()["health"]), "it")


def figures_of(decks: dict[tuple[str, str], int]) -> Figures:
    return Figures(
        decks=decks, oldest_waiting_s=1.5, free_bytes=7, full=False, reasons=0, strays=0,
        held_jobs=0, now_s=2.0,
    )  # fmt: skip


@given(
    st.lists(st.tuples(st.sampled_from(["run_done", "deck_returned", "run_failed", "x"]),
                       st.dictionaries(st.sampled_from(["job", "outcome", "seconds", "in", "out"]),
                                       st.text(max_size=4) | st.integers(0, 9)))),
    st.dictionaries(st.tuples(st.text(max_size=4), st.text(max_size=4)), st.integers(0, 9)),
)  # fmt: skip
def test_whatever_is_counted_the_text_is_well_formed(events, decks) -> None:
    meter = Meter(1.0)
    for event, facts in events:
        meter.hear(event, facts, "2031-05-06T07:08:09+00:00")
    found = parsed(meter.text(figures_of(decks)).decode())
    for (state, job), count in decks.items():
        assert found["deckwright_decks", job, state] == count
    done = sum(event == "run_done" for event, _ in events)
    told = [n for key, n in found.items() if (key[0], key[-1]) == ("deckwright_runs_total", "done")]
    assert sum(told) == done


def test_the_endpoint_listens_on_this_machine_only_and_ends() -> None:
    endpoint = Endpoint(0)
    try:
        with pytest.raises(OSError, match="refused"):
            socket.create_connection(("127.0.0.2", endpoint.port), timeout=5)
        socket.create_connection(("127.0.0.1", endpoint.port), timeout=5).close()
    finally:
        endpoint.close()
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", endpoint.port), timeout=5)


# ---- the page


def test_the_page_names_every_deck_and_leads_to_its_files(ended) -> None:
    page = (ended.root / "index.html").read_text("utf-8")
    assert "&lt;b&gt;&amp;amp;.txt" in page
    assert "<b>" not in page
    assert "Done (2)" in page
    assert "Returned (1)" in page
    for place in [part.split('"')[0] for part in page.split('href="')[1:]]:
        assert (ended.root / place).exists(), place
    assert page.count("control.html") == 2
    assert "the deck cannot be read as its job says</a>" in page
    assert '<small class="code">deck-unreadable</small>' in page


def rows_of(made: House, section: str) -> str:
    page = (made.root / "index.html").read_text("utf-8")
    return page.partition(f"<h2>{section} (")[2].partition("</section>")[0]


@pytest.mark.slow
def test_the_page_lists_what_lies_in_the_inbox_and_why_it_waits() -> None:
    with house() as made:
        made.job("marked")
        made.job("late")
        made.settings("[jobs.marked]\nrequire_marker = true\n", stall_s=3600)
        made.once()
        assert "No deck lies there." in rows_of(made, "In the inbox")
        made.say("hold", made.root, "cards")
        made.drop("<i>held.txt", cards_of(1))
        made.drop("alone.txt", cards_of(2), "marked")
        made.drop("nothing.txt", b"", "late")
        made.drop(".passed-by", cards_of(3))
        (made.root / "inbox" / "late" / "a folder").mkdir()
        made.once()
        shown = rows_of(made, "In the inbox")
        assert shown.startswith("3)")
        for place, job, why in (
            ("cards/&lt;i&gt;held.txt", "cards", "the job is held by an operator"),
            ("marked/alone.txt", "marked", "waits for alone.txt.ok or alone.txt.sha256"),
            ("late/nothing.txt", "late", "is empty: there is no card in it"),
        ):
            row = f'<th scope="row">{place}</th><td>{job}</td><td>{why}</td><td class="when">'
            assert f"{row}<span>20" in shown
        assert "<li><code>late/a folder</code> is a folder" in shown
        assert "passed-by" not in shown
        assert "<i>" not in shown
        (made.root / "inbox" / "marked" / "alone.txt.ok").touch()
        made.once()
        assert rows_of(made, "In the inbox").startswith("2)")


@pytest.mark.parametrize(
    ("age", "why"), [(0, "just came; it is taken once it has looked the same for 100 s"),
                     (101, "waits for its turn")]
)  # fmt: skip
def test_a_deck_that_is_whole_waits_to_settle_and_then_for_its_turn(age, why, tmp_path) -> None:
    (tmp_path / "box").mkdir()
    for name in ("a", "b"):
        (tmp_path / "box" / name).write_bytes(b"X")
    came = (tmp_path / "box" / "a").lstat().st_ctime
    routes = {"box": [Route("job", ("a",), None, require_marker=False)], "gone": []}
    told = State(process=1, at="2031-05-06T07:08:09+00:00")
    inboxes = Inboxes(tmp_path, ServiceSpec(settle_s=100), routes, {}, told)
    (found,) = inboxes.lying(9, came + age)
    assert (found.place, found.job, found.since, found.why) == ("box/a", "job", came, why)
    paused = dataclasses.replace(inboxes, state=told.model_copy(update={"paused": "no room"}))
    assert paused.lying(9, came)[0].why == "no decks are taken: no room"
    assert inboxes.lying(0, came) == []


def test_every_code_with_which_a_deck_may_come_back_is_told_in_words() -> None:
    source = "".join(path.read_text("utf-8") for path in sorted(SERVICE.rglob("*.py")))
    forms = (r'Fault\(\s*"(?:deck|stage)",\s*"([a-z-]+)"', r'ReasonEntry\(\s*code="([a-z-]+)"',
             r'Verdict\([^"]*"([a-z-]+)"', r'return "(?:died|late)", "([a-z-]+)"')  # fmt: skip
    codes = {code for form in forms for code in re.findall(form, source)}
    assert len(codes) > 10
    assert codes <= MEANINGS.keys()
    assert (meaning("of-a-plugin"), meaning("")) == ("of-a-plugin", "")


# ---- links by name


def links(made: House) -> dict[str, Any]:
    folder = made.root / "by-name" / "cards"
    return {path.name: path.resolve() for path in folder.iterdir()}


def test_a_deck_is_found_under_its_own_name_and_earlier_runs_beside_it(ended) -> None:
    first = run_of("week-24.txt", deck(card(1), "XX"))
    second = run_of("week-24.txt", cards_of(24))
    back = run_of("<b>&amp;.txt", UNREADABLE)
    found = links(ended)
    assert found["week-24.txt"] == ended.root / "done" / second
    assert found[f"week-24.txt~{first[:8]}-1"] == ended.root / "done" / first
    (other,) = found.keys() - {"week-24.txt", f"week-24.txt~{first[:8]}-1"}
    assert other.startswith("_b_&amp;.txt~")
    assert found[other] == ended.root / "returned" / back
    for path in (ended.root / "by-name" / "cards").iterdir():
        assert not path.readlink().is_absolute()


@pytest.mark.slow
def test_links_that_were_deleted_come_back_and_those_of_removed_runs_go() -> None:
    with house() as made:
        made.drop("week-24.txt", cards_of(24))
        made.drop("back.txt", UNREADABLE)
        made.once()
        before = links(made)
        for path in (made.root / "by-name" / "cards").iterdir():
            path.unlink()
        made.once()
        assert links(made) == before
        assert made.say("verify", made.root)[0] == 0
        code, _, err = made.say(
            "tidy", made.root, "--older-than", "0", "--accepted-by", "A. Reader"
        )
        assert (code, err) == (0, "")
        assert set(links(made)) == {"back.txt"}


@given(st.binary(min_size=1, max_size=255).filter(lambda name: not set(name) & {0, 47}))
def test_the_name_of_a_link_is_safe_and_no_two_are_the_same(name) -> None:
    found = link_name(name)
    assert found.isprintable()
    assert found[0] not in ".-"
    assert not set(found) & set('/\\:*?"<>|')
    assert 0 < len(found.encode()) <= 255 - len("~01234567-123456789")
    assert found.encode() == name or found[-7] == "~"
