"""Observers hear what happened, and nothing that they do harms the service."""

from __future__ import annotations

import contextlib
import inspect
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from deckwright import Notice
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.service import ServiceSpec, load_service
from deckwright.service.outward import notices as module
from deckwright.service.outward.notices import FACTS, MOST_WAITING, STRIKES, Notices
from deckwright.service.outward.noticing import notice_faults
from deckwright.service.system.places import Workspace
from service.notice_events import DONE, EVENTS

OBSERVERS = Path(__file__).parent / "house_plugins" / "tempers.py"
KINDS = ["keeps", "raises", "leaves", "ends", "moody", "kills", "hangs", "eats", "prints",
         "wanders", "unmade", "ends-made", "hangs-made"]  # fmt: skip
BROKEN = {"lacks": "x = 1\n", "faulty": "import no_such_module\n"}
PATIENCE_S = 240
"""Longer than any call takes on a busy machine."""
HANGING_S = 6
"""After this an observer that hangs is given up, and no sooner one that is just slow."""


@pytest.fixture(scope="session")
def command(tmp_path_factory) -> list[str]:
    """Return a command that starts the observers' process with strangers' plugins installed."""
    site = tmp_path_factory.mktemp("site")
    shutil.copy(OBSERVERS, site)
    points = [f"{kind} = tempers" for kind in KINDS]
    for kind, text in BROKEN.items():
        (site / f"{kind}.py").write_text(text, encoding="utf-8")
        points.append(f"{kind} = {kind}")
    meta = site / "tempers-1.0.dist-info"
    meta.mkdir()
    (meta / "METADATA").write_text("Metadata-Version: 2.1\nName: tempers\nVersion: 1.0\n")
    (meta / "entry_points.txt").write_text("[deckwright.notices]\n" + "\n".join(points) + "\n")
    code = f"import sys; sys.path.insert(0, {str(site)!r}); from deckwright.service.outward.noticing import main; main()"  # fmt: skip # noqa: E501
    return [sys.executable, "-c", code]


@pytest.fixture
def observe(command, tmp_path) -> Any:
    """Return a maker of observers by kinds, or kind and options."""

    def make(*given: Any, patience_s: float = PATIENCE_S) -> Notices:
        tables = [{"kind": g} if isinstance(g, str) else {"kind": g[0], "options": g[1]} for g in given]  # fmt: skip # noqa: E501
        spec = ServiceSpec.model_validate({"notice": tables})
        return Notices(spec, Workspace(tmp_path), None, command, patience_s)

    return make


@pytest.fixture
def at_once(monkeypatch) -> None:
    """Begin a process again without a wait."""
    monkeypatch.setattr(module, "_LONGEST_WAIT_S", 0.0)


def heard(folder: Path, name: str = "heard") -> list[dict[str, Any]]:
    path = folder / name
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def until(notices: Notices, done: Callable[[], bool], seconds: float = PATIENCE_S) -> list[str]:
    """Poll until something is so; return what was told meanwhile."""
    problems: list[str] = []
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, problems
        problems += notices.poll()
        time.sleep(0.01)
    return problems


# ---- hearing


def test_what_observers_hear_of_is_what_their_methods_take() -> None:
    for event, facts in FACTS.items():
        taken = list(inspect.signature(getattr(Notice, event)).parameters)[1:]
        assert tuple(taken) == facts
    methods = {name for name, _ in inspect.getmembers(Notice, inspect.isfunction)}
    assert {name for name in methods if not name.startswith("_")} == set(FACTS)


def test_an_observer_hears_all_events_in_order_and_named_facts_only(observe, tmp_path) -> None:
    notices = observe("keeps")
    for number in range(200):
        for event in EVENTS:
            notices.tell({**event, "job": f"job-{number}", "amount": "CANARY"})
        notices.tell({"event": "run_started", "run": "r"})
    assert notices.close(PATIENCE_S) == []
    expected = [{**event, "job": f"job-{number}"} for number in range(200) for event in EVENTS]
    assert heard(tmp_path) == expected


def test_several_observers_hear_the_same(observe, tmp_path) -> None:
    notices = observe("keeps", ["keeps", {"file": "two"}], ["keeps", {"file": "three"}])
    for event in EVENTS:
        notices.tell(event)
    assert notices.close(PATIENCE_S) == []
    assert heard(tmp_path) == heard(tmp_path, "two") == heard(tmp_path, "three") == EVENTS


def test_names_of_any_kind_arrive(observe, tmp_path) -> None:
    names = ["\udcff\udcfe", "a\nb", "\x1b[31m", "", "x" * 4096, "\u202eäöü"]
    notices = observe("keeps")
    for name in names:
        notices.tell({**DONE, "deck": name})
    assert notices.close(PATIENCE_S) == []
    assert [event["deck"] for event in heard(tmp_path)] == names


def test_without_observers_no_process_is_started(tmp_path) -> None:
    notices = Notices(ServiceSpec(), Workspace(tmp_path), command=["/nowhere"])
    notices.tell(DONE)
    assert notices.descriptors() == []
    assert notices.poll() == notices.faults() == notices.close(1) == []


# ---- observers that fail


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("raises", "ValueError at tempers.py"),
        ("leaves", "SystemExit at tempers.py"),
        ("eats", "MemoryError at tempers.py"),
        ("ends", "ended the process on deck_done"),
        ("kills", "ended the process on deck_done"),
        ("hangs", f"did not come to an end within {HANGING_S} s on deck_done"),
        ("prints", ""),
        ("wanders", ""),
    ],
)
def test_an_observer_that_fails_is_named_and_the_others_hear_all(
    kind, said, observe, tmp_path, monkeypatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", "/nowhere")
    given = ("keeps", [kind, {"secret": "CANARY"}], ["keeps", {"file": "after"}])
    notices = observe(*given, patience_s=HANGING_S if kind == "hangs" else PATIENCE_S)
    for event in EVENTS:
        notices.tell(event)
    problems = until(notices, lambda: len(heard(tmp_path, "after")) == len(EVENTS))
    problems += notices.close(PATIENCE_S)
    assert heard(tmp_path) == heard(tmp_path, "after") == EVENTS
    assert [said in each for each in problems] == [True] * bool(said)
    assert all(each.startswith(f"notice 2 ({kind}) ") for each in problems)
    assert "CANARY" not in "".join(problems)
    assert "week 23" not in "".join(problems)
    assert notices.faults() == []


@pytest.mark.usefixtures("at_once")
def test_an_observer_that_ends_the_process_time_and_again_is_called_no_more(
    observe, tmp_path
) -> None:
    notices = observe("ends", "keeps", patience_s=PATIENCE_S)
    events = [{**DONE, "run": f"r{number}"} for number in range(STRIKES + 3)]
    for event in events:
        notices.tell(event)
    problems = until(notices, lambda: len(heard(tmp_path)) == len(events))
    assert heard(tmp_path) == events
    assert problems.count("notice 1 (ends) ended the process on deck_done") == STRIKES
    off = f"notice 1 (ends) is not called: it ended the process, {STRIKES} times in a row"
    assert notices.faults() == [off]
    assert problems[-1] == off
    assert notices.close(PATIENCE_S) == []


@pytest.mark.usefixtures("at_once")
def test_an_observer_that_fails_now_and_then_is_called_again(observe, tmp_path) -> None:
    notices = observe("moody", "keeps", patience_s=PATIENCE_S)
    events = [{**DONE, "job": job} for job in ["bad", "good"] * (STRIKES + 1)]
    for event in events:
        notices.tell(event)
    problems = until(notices, lambda: len(heard(tmp_path)) == len(events))
    assert heard(tmp_path) == events
    assert problems == ["notice 1 (moody) ended the process on deck_done"] * (STRIKES + 1)
    assert notices.faults() == []
    assert notices.close(PATIENCE_S) == []


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize("kind", ["ends-made", "hangs-made"])
def test_an_observer_that_cannot_be_made_without_harm_is_called_no_more(
    kind, observe, tmp_path, monkeypatch
) -> None:
    hangs = kind == "hangs-made"
    if hangs:
        monkeypatch.setattr(module, "STRIKES", 1)
    notices = observe(kind, "keeps", patience_s=HANGING_S if hangs else PATIENCE_S)
    notices.tell(DONE)
    until(notices, lambda: len(heard(tmp_path)) == 1)
    assert notices.faults()[0].startswith(f"notice 1 ({kind}) is not called: it ")
    notices.close(PATIENCE_S)
    assert heard(tmp_path) == [DONE]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("keps", "there is no notice 'keps'; did you mean 'keeps'?"),
        ("lacks", "brings no such kind"),
        ("faulty", "ModuleNotFoundError"),
        ("unmade", "KeyError at tempers.py"),
        (["keeps", {"fle": "x"}], "options.fle: Extra inputs are not permitted"),
        (["append-line", {"file": "../x"}], "options.file: should be a path inside"),
    ],
)
def test_an_observer_that_cannot_be_made_is_named_and_the_others_hear_all(
    given, said, observe, tmp_path
) -> None:
    notices = observe(given, "keeps")
    notices.tell(DONE)
    problems = until(notices, lambda: len(heard(tmp_path)) == 1)
    assert len(problems) == 1
    assert said in problems[0]
    assert notices.faults() == problems
    assert notices.close(PATIENCE_S) == []


def test_when_no_observer_is_left_events_are_let_go(observe) -> None:
    notices = observe("keps")
    until(notices, notices.faults)
    for _ in range(2 * MOST_WAITING):
        notices.tell(DONE)
    assert notices.close(PATIENCE_S) == []


def test_what_slow_observers_cannot_take_is_dropped_and_counted(observe) -> None:
    notices = observe("hangs", patience_s=600)
    for _ in range(MOST_WAITING + 500):
        notices.tell(DONE)
    assert notices.poll() == ["500 events were not told to the notices, which are too slow"]
    notices.tell(DONE)
    assert notices.poll() == []  # once a minute is enough
    assert notices.close(0.1) == [
        f"{MOST_WAITING + 1:,} events were not told to the notices before the end"
    ]


def test_an_event_too_long_for_a_message_is_left_out(observe, tmp_path) -> None:
    notices = observe("keeps")
    notices.tell({**DONE, "folder": "x" * 100_000})
    notices.tell(DONE)
    assert notices.close(PATIENCE_S) == ["an event deck_done was too long for the notices"]
    assert heard(tmp_path) == [DONE]


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize(
    "answer",
    ["nonsense", '{"number": 0, "notice": 5}', '{"number": 7, "notice": 0}', "x" * 100_000,
     '{"number": 0, "notice": 0, "problem": "", "more": 1}'],
)  # fmt: skip
def test_a_process_that_says_what_cannot_be_is_ended(answer, tmp_path) -> None:
    spec = ServiceSpec.model_validate({"notice": [{"kind": "keeps"}]})
    code = f"import time; print({answer!r}, flush=True); time.sleep(600)"
    notices = Notices(spec, Workspace(tmp_path), None, [sys.executable, "-c", code], 60)
    notices.tell(DONE)
    problems = until(notices, notices.faults)
    assert len(problems) == STRIKES + 1
    assert problems[0] in {
        "notice 1 (keeps) said what cannot be while it was made",
        "notice 1 (keeps) ended the process while it was made",
    }
    notices.close(1)


def test_a_process_that_cannot_be_started_is_told_once_a_minute(tmp_path) -> None:
    spec = ServiceSpec.model_validate({"notice": [{"kind": "keeps"}]})
    notices = Notices(spec, Workspace(tmp_path), command=["/nowhere/at/all"])
    notices.tell(DONE)
    assert notices.poll() == ["the notices could not be started: No such file or directory"]
    assert notices.poll() == []
    assert notices.close(0.1) == ["1 events were not told to the notices before the end"]


@pytest.mark.usefixtures("at_once")
def test_a_process_that_somebody_kills_is_begun_again(observe, tmp_path) -> None:
    notices = observe("keeps")
    notices.tell(DONE)
    until(notices, lambda: len(heard(tmp_path)) == 1)
    notices.poll()
    child = notices._child  # noqa: SLF001 # nobody else knows its number
    os.killpg(child.process.pid, signal.SIGKILL)
    problems = until(notices, lambda: notices._child is not child)  # noqa: SLF001 # as above
    assert problems == ["the process of the notices ended by itself; it is begun again"]
    notices.tell(DONE)
    until(notices, lambda: len(heard(tmp_path)) == 2)
    assert notices.close(PATIENCE_S) == []


def test_the_process_ends_when_the_service_is_killed(command, tmp_path) -> None:
    script = tmp_path / "service.py"
    script.write_text(
        "import json, sys, time\n"
        "from pathlib import Path\n"
        "from deckwright.jobs.service import ServiceSpec\n"
        "from deckwright.service.outward.notices import Notices\n"
        "from deckwright.service.system.places import Workspace\n"
        "spec = ServiceSpec.model_validate({'notice': [{'kind': 'keeps'}, {'kind': 'hangs'}]})\n"
        "notices = Notices(spec, Workspace(Path(sys.argv[1])), command=json.loads(sys.argv[2]))\n"
        f"notices.tell({DONE!r})\n"
        "while not Path(sys.argv[1], 'heard').exists():\n"
        "    notices.poll()\n"
        "print(notices._child.process.pid, flush=True)\n"
        "time.sleep(600)\n",
        encoding="utf-8",
    )
    with subprocess.Popen(  # noqa: S603 # our own code
        [sys.executable, str(script), str(tmp_path), json.dumps(command)],
        stdout=subprocess.PIPE, text=True,
    ) as service:  # fmt: skip
        assert service.stdout is not None
        child = int(service.stdout.readline())
        assert Path(f"/proc/{child}").exists()
        service.kill()
    end = time.monotonic() + PATIENCE_S
    while is_alive(child):
        assert time.monotonic() < end
        time.sleep(0.02)
    # what the observer had started is not the service's; it is ended here
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)


def is_alive(process: int) -> bool:
    """Tell whether a process runs; one that has ended and was not fetched does not."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_the_service_loads_no_frame_library_for_its_observers() -> None:
    script = (
        "import sys\n"
        "import deckwright.service.outward.notices, deckwright.service.outward.noticing\n"
        "import deckwright_plugins.notices.append_line\n"
        "heavy = {'numpy', 'polars', 'deckwright.engine', 'deckwright.layout'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run(  # noqa: S603 # our own code
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=240
    )
    assert done.stdout == "[]\n"


# ---- checking before it is used


def test_faults_of_observers_have_file_and_line(tmp_path) -> None:
    path = tmp_path / "service.toml"
    path.write_text(
        'workers = 1\n[[notice]]\nkind = "append-lin"\n[[notice]]\nkind = "append-line"\n'
        'options.form = "verse"\noptions.fiel = "x"\n[[notice]]\nkind = "append-line"\n'
        'options = { file = "good.log" }\n',
        encoding="utf-8",
    )
    faults = notice_faults(ConfigFile(path), load_service(path))
    assert [str(fault).removeprefix(f"{path}:") for fault in sorted(faults)] == [
        ("3: notice 1 (append-lin): there is no notice 'append-lin'; did you mean 'append-line'?"),
        "6: notice 2 (append-line): form: should be 'plain' or 'json'",
        "6: notice 2 (append-line): the key 'file' is missing",
        "7: notice 2 (append-line): unknown key 'fiel'; did you mean 'file'?",
    ]
