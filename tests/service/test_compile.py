"""Compiling jobs: snapshots that load as the jobs did; a fault spoils its own job alone."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.demo.files import write_demo
from deckwright.engine.planning.plan import load_plan
from deckwright.service.config.compile import Compiled, compile_jobs
from deckwright.service.store.records import BadRecordError
from deckwright.service.store.snapshot import JOB_FILE, Snapshot, digest, inside, read_snapshot
from deckwright.service.system.fs import Fs
from service.workplace import Workplace, add_job, make_workplace

EXAMPLES = Path(__file__).parents[2] / "config"
SECONDS = 30.0
STATIONS = "station,name,lat,lon\n10000009,ORRIN HEAD,54.1,-2.2\n"


@pytest.fixture
def place(shop, tmp_path) -> Workplace:
    """Return a workspace with one good job."""
    return make_workplace(tmp_path / "workspace", shop, {"good": {}})


@pytest.fixture
def add(place, shop):
    """Return a writer of jobs into the workspace."""
    return lambda name, *stages, **tables: add_job(
        place.root / "config" / "jobs", shop, name, stages, **tables
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Path:
    return write_demo(tmp_path_factory.mktemp("demo")).jobs[0].parents[1]


def example_jobs(demo: Path) -> list[tuple[Path, list[str]]]:
    """Return folders that hold `jobs` and `layouts`, and the job files in them."""
    found = []
    for folder in (EXAMPLES, demo):
        jobs = sorted(path.name for path in (folder / "jobs").glob("*.toml"))
        assert jobs
        found.append((folder, jobs))
    return found


def test_a_snapshot_of_every_example_loads_as_the_job_did(place, demo, tmp_path) -> None:
    master = place.root / "config" / "jobs" / "stations.csv"  # what the benchmark makes
    master.write_text(STATIONS, encoding="utf-8")
    for number, (folder, files) in enumerate(example_jobs(demo)):
        for part in ("jobs", "layouts", "codes", "masters"):
            if (folder / part).is_dir():
                shutil.copytree(folder / part, place.root / "config" / part, dirs_exist_ok=True)
        compiled = compile_jobs(place.workspace, SECONDS)
        assert compiled.faults == []
        for file in files:
            original = load_plan(place.root / "config" / "jobs" / file)
            job = compiled.jobs[file.removesuffix(".toml")]
            snapshot = read_snapshot(job.snapshot)
            named = snapshot.named_files(place.root)
            laid = snapshot.lay_out(tmp_path / f"{number}-{file}", Fs())
            plan = load_plan(laid, named)
            assert plan.configs.used == original.configs.used == snapshot.files
            assert plan.name == original.name == job.name
            assert [step.label for step in plan.steps] == job.stages
            assert {name: os.path.normpath(path) for name, path in original.files.items()} == named
            assert named == job.files
            assert (snapshot.memory, job.memory) == (plan.memory, original.memory)
            assert job.card_bytes == plan.source.medium.card_bytes()
            assert digest(job.snapshot) == job.sha256


names = st.one_of(
    st.just(JOB_FILE),
    st.builds("/".join, st.lists(st.from_regex(r"[a-z0-9 _.-]{1,9}\.x", fullmatch=True),
                                 min_size=1, max_size=2)),
)  # fmt: skip


@given(
    st.dictionaries(
        names, st.one_of(st.binary(max_size=60), st.text().map(str.encode)), max_size=5
    ),
    st.dictionaries(st.text(min_size=1, max_size=9), st.text("abc/.", min_size=1), max_size=3),
)
@settings(max_examples=150, deadline=None)
def test_a_snapshot_reads_back_as_it_was_and_has_one_form(files, named) -> None:
    files = {JOB_FILE: b"", **files}
    made = Snapshot("job", files, named)
    data = made.to_bytes()
    assert read_snapshot(data) == made
    reverse = Snapshot("job", dict(reversed(files.items())), dict(reversed(named.items())))
    assert reverse.to_bytes() == data
    assert data.isascii()


def test_a_snapshot_gives_the_bytes_of_its_files_whatever_they_are(tmp_path) -> None:
    files = {
        JOB_FILE: b"\xef\xbb\xbftitle = 'x'\r\n",
        "layouts/a.toml": "§\r\n".encode(),
        "codes/b.csv": bytes(range(256)),
    }
    job = read_snapshot(Snapshot("name", files, {}).to_bytes()).lay_out(tmp_path / "laid", Fs())
    assert job == tmp_path / "laid" / "name.toml"
    assert job.read_bytes() == files[JOB_FILE]
    for name in ("layouts/a.toml", "codes/b.csv"):
        assert (tmp_path / "laid" / name).read_bytes() == files[name]


@pytest.mark.parametrize(
    "name", ["../x", "/etc/x", "a/../x", "a//x", "a/b/c", "", ".", "..", "a\\b", "a\0b", "a/"]
)
def test_a_snapshot_with_a_file_that_leads_elsewhere_is_refused(name) -> None:
    data = Snapshot("job", {JOB_FILE: b"", name: b""}, {}).to_bytes()
    with pytest.raises(BadRecordError):
        read_snapshot(data)


@given(st.binary(max_size=80), st.integers(0, 200), st.binary(max_size=4))
@settings(max_examples=200, deadline=None)
def test_mangled_snapshots_are_refused_in_one_way(data, at, patch) -> None:
    good = Snapshot("job", {JOB_FILE: b"x", "codes/a.csv": b"\xff"}, {"m": "p"}).to_bytes()
    for mangled in (data, good[:at], good[:at] + patch + good[at + len(patch) :]):
        try:
            read = read_snapshot(mangled)
        except BadRecordError:
            continue
        assert JOB_FILE in read.files


def test_named_files_inside_the_workspace_move_with_it(tmp_path) -> None:
    root = tmp_path / "workspace"
    assert inside(root / "config" / "jobs" / ".." / "m.csv", root) == "config/m.csv"
    assert inside(root / ".." / "m.csv", root) == str(tmp_path / "m.csv")
    snapshot = Snapshot("job", {JOB_FILE: b""}, {"a": "config/m.csv", "b": "/data/m.csv"})
    assert snapshot.named_files(Path("/other")) == {"a": "/other/config/m.csv", "b": "/data/m.csv"}


def test_a_job_that_says_no_memory_or_nothing_that_can_be_read_has_the_default() -> None:
    for text in (b"", b"memory = 5", b"not toml", b"\xff", b"memory = 'much'"):
        assert Snapshot("job", {JOB_FILE: text}, {}).memory == 512 << 20
    assert Snapshot("job", {JOB_FILE: b"memory = '1 GiB'"}, {}).memory == 1 << 30


def test_what_the_service_must_know_of_a_job_is_told(place, add) -> None:
    files = {"m": "../m.csv", "n": "/data/n.csv"}
    tables = {"title": "Ä title", "inbox": "good", "memory": "300 MiB", "files": files}
    add("other", {"kind": "sort", "keys": ["item"]}, names=["*.dck", "x?"], **tables)
    good = place.root / "config" / "jobs" / "good.toml"
    good.write_text(f'names = ["*.txt"]\n{good.read_text("utf-8")}', encoding="utf-8")
    compiled = compile_jobs(place.workspace, SECONDS)
    assert compiled.faults == []
    job = compiled.jobs["other"]
    assert (job.title, job.inbox, job.names) == ("Ä title", "good", ("*.dck", "x?"))
    assert job.memory == 300 << 20
    assert job.stages == [
        "stage 1 (decode)", "stage 2 (validate)", "stage 3 (sort)", "stage 4 (emit)",
    ]  # fmt: skip
    assert job.files == {"m": str(place.root / "config" / "m.csv"), "n": "/data/n.csv"}
    assert json.loads(job.snapshot)["named"] == {"m": "config/m.csv", "n": "/data/n.csv"}
    assert compiled.jobs["good"].inbox == "good"
    again = compile_jobs(place.workspace, SECONDS)
    assert again == compiled


def fault_of(compiled: Compiled, name: str) -> str:
    """Return the only fault of a job."""
    (fault,) = [each for each in compiled.faults if each.startswith(f"config/jobs/{name}.toml:")]
    return fault


# tables of a job, and what is told of it after the name of its file
WRONG: list[tuple[dict[str, Any], str]] = [
    ({"memroy": "1 GiB"}, ":2: unknown key 'memroy'; did you mean 'memory'?"),
    ({"inbox": "../x"}, ":2: inbox: should be the name of a folder"),
    ({"inbox": ".x"}, ":2: inbox: should be the name of a folder"),
    ({"inbox": "x" * 65}, ":2: inbox: should be the name of a folder"),
    ({"names": ["a/b"]}, ":2: names: should be patterns of file names"),
    ({"names": [""]}, ":2: names: should be patterns of file names"),
    ({"names": []}, ":2: names: "),
    ({"names": ["x" * 256]}, ": cannot be used as it is: names"),
    ({"title": "x" * 10_001}, ": cannot be used as it is: title"),
    ({"plugins": ["/one.py"]}, ":2: plugins: should be paths relative to the job file"),
    ({"plugins": ["a/one.py", "one.py"]}, ":2: plugins: two files are named 'one.py'; rename one"),
    ({"plugins": ["one.py"]}, ":2: plugin 'one' of one.py cannot be loaded: there is no such"),
]


def test_a_job_that_is_wrong_is_told_with_file_and_line_and_the_others_are_there(
    place, add
) -> None:
    for number, (tables, _) in enumerate(WRONG):
        job = add(
            f"bad{number}", **{name: each for name, each in tables.items() if name != "plugins"}
        )
        if "plugins" in tables:
            head, _, rest = job.read_text("utf-8").partition("\n")
            line = f"plugins = {json.dumps(tables['plugins'])}"
            job.write_text(f"{head}\n{line}\n{rest}", encoding="utf-8")
    add("worst", {"kind": "sort", "keys": ["nothing"]}, {"kind": "soort"})
    compiled = compile_jobs(place.workspace, SECONDS)
    assert set(compiled.jobs) == {"good"}
    for number, (_, said) in enumerate(WRONG):
        name = f"bad{number}"
        assert fault_of(compiled, name).startswith(f"config/jobs/{name}.toml{said}")
    worst = [fault for fault in compiled.faults if "worst" in fault]
    assert len(worst) == 2
    lines = (place.root / "config" / "jobs" / "worst.toml").read_text("utf-8").splitlines()
    keys, kind = lines.index('keys = ["nothing"]') + 1, lines.index('kind = "soort"') + 1
    assert worst[0].startswith(f"config/jobs/worst.toml:{keys}: stage 3 (sort): unknown field")
    assert worst[1].startswith(f"config/jobs/worst.toml:{kind}: stage 4: there is no ")


def test_a_fault_in_a_layout_names_the_layout(place, add) -> None:
    add("bad")
    job = place.root / "config" / "jobs" / "bad.toml"
    job.write_text(job.read_text("utf-8").replace('"receipts"', '"broken"'), encoding="utf-8")
    broken = place.root / "config" / "layouts" / "broken.toml"
    broken.write_text("[[field]]\nname = 1\n", encoding="utf-8")
    compiled = compile_jobs(place.workspace, SECONDS)
    assert set(compiled.jobs) == {"good"}
    assert any(fault.startswith("config/layouts/broken.toml:") for fault in compiled.faults)


def test_jobs_that_want_the_same_decks_are_all_refused(place, add) -> None:
    add("twin", inbox="good")
    add("third", inbox="good", names=["*.dck"])
    compiled = compile_jobs(place.workspace, SECONDS)
    assert set(compiled.jobs) == {"third"}
    assert len(compiled.faults) == 2
    for name, fault in zip(("good", "twin"), compiled.faults, strict=True):
        assert fault.startswith(f"config/jobs/{name}.toml: good and twin both want the decks '*'")


def test_files_that_cannot_be_named_as_jobs_are_told_and_never_loaded(place) -> None:
    jobs = place.root / "config" / "jobs"
    for name in (b"a b.toml", b"-x.toml", b"\xff.toml", b"line\nbreak.toml", b"x" * 70 + b".toml"):
        Path(os.fsdecode(os.fsencode(jobs) + b"/" + name)).write_text("os.exit")
    (jobs / "folder.toml").mkdir()
    compiled = compile_jobs(place.workspace, SECONDS)
    assert set(compiled.jobs) == {"good"}
    assert len(compiled.faults) == 5
    assert all("cannot be the name of a job" in fault for fault in compiled.faults)
    assert all(fault.isprintable() for fault in compiled.faults)


def test_a_workspace_without_jobs_has_none(place) -> None:
    (place.root / "config" / "jobs" / "good.toml").unlink()
    assert compile_jobs(place.workspace, SECONDS) == Compiled()
    (place.root / "config" / "jobs").rmdir()
    assert compile_jobs(place.workspace, SECONDS) == Compiled()


STAGE = """
from deckwright import StageConfig, TrayStage, hookimpl


class BadConfig(StageConfig):
    pass


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray, book):
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]
"""
# what a plugin does when it is loaded, and what is told of its job
AT_IMPORT = {
    "import os; os._exit(0)": "a plugin that it names ended the process (exit code 0)",
    "import os; os._exit(7)": "a plugin that it names ended the process (exit code 7)",
    "import sys; sys.exit(5)": "a plugin that it names raised SystemExit while it was loaded",
    "raise KeyboardInterrupt": "a plugin that it names raised KeyboardInterrupt while it was",
    "raise ValueError('x')": "cannot be loaded: ValueError: x",
    "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)": "the process (signal SIGSEGV)",
    "import os; os.closerange(3, 100)": "a plugin that it names ended the process",
    "import os, sys; os.write(int(sys.argv[2]), b'hello\\n')": "wrote where only the program",
    "import os, sys; os.write(int(sys.argv[2]), b'{\"kind\":\"begun\",\"file\":\"good.toml\"}\\n')":
        "wrote where only the program writes",
    "bytearray(8 << 30)": "cannot be loaded: MemoryError",
}  # fmt: skip


def add_bad(add, name: str, line: str) -> None:
    """Write a job whose plugin, named as the job, does something when it is loaded."""
    job = add(name, {"kind": "bad"})
    (job.parent / f"{name}.py").write_text(f"{line}\n{STAGE}", encoding="utf-8")
    job.write_text(f'plugins = ["{name}.py"]\n{job.read_text("utf-8")}', encoding="utf-8")


@pytest.mark.slow
def test_whatever_a_plugin_does_when_it_is_loaded_only_its_own_job_is_bad(place, add) -> None:
    for number, line in enumerate(AT_IMPORT):
        add_bad(add, f"bad{number}", line)
    prints = "import sys; print('x' * 5_000_000); print('y', file=sys.stderr); sys.stdin.read()"
    add_bad(add, "prints", prints)
    add("zuletzt")
    compiled = compile_jobs(place.workspace, SECONDS)
    assert set(compiled.jobs) == {"good", "prints", "zuletzt"}
    for number, said in enumerate(AT_IMPORT.values()):
        assert said in fault_of(compiled, f"bad{number}")
    assert len(compiled.faults) == len(AT_IMPORT)


@pytest.mark.slow
def test_a_plugin_that_hangs_when_it_is_loaded_spoils_its_own_job_alone(place, add) -> None:
    hang = "import subprocess, time; subprocess.Popen(['sleep', '600']); time.sleep(600)"
    add_bad(add, "hangs", hang)
    beats: list[int] = []
    compiled = compile_jobs(place.workspace, 6, beat=lambda: beats.append(1))
    assert set(compiled.jobs) == {"good"}
    said = "a plugin that it names was still being loaded after 6 s"
    assert fault_of(compiled, "hangs").endswith(said)
    assert beats


def test_the_observers_of_the_service_file_are_checked_with_file_and_line(place) -> None:
    notices = '[[notice]]\nkind = "append-line"\noptions = { file = "x" }\n'
    place.workspace.service_file.write_text(notices, encoding="utf-8")
    compiled = compile_jobs(place.workspace, SECONDS)
    assert (set(compiled.jobs), compiled.faults, compiled.notice_faults) == ({"good"}, [], [])
    more = '\n[[notice]]\nkind = "append-line"\noptions.fiel = "x"\noptions.form = "verse"\n'
    place.workspace.service_file.write_text(notices + more, encoding="utf-8")
    compiled = compile_jobs(place.workspace, SECONDS)
    assert (set(compiled.jobs), compiled.faults) == ({"good"}, [])
    start = "config/service.toml:"
    assert compiled.notice_faults == [
        f"{start}7: notice 2 (append-line): the key 'file' is missing",
        f"{start}7: notice 2 (append-line): unknown key 'fiel'; did you mean 'file'?",
        f"{start}8: notice 2 (append-line): form: should be 'plain' or 'json'",
    ]
    place.workspace.service_file.write_text("[[notice]]\nkin = 1\n", encoding="utf-8")
    assert compile_jobs(place.workspace, SECONDS).notice_faults[0].startswith(f"{start}1: ")


def test_a_plugin_below_the_job_is_found_again_in_the_snapshot(place, add, tmp_path) -> None:
    job = add("deep", {"kind": "bad"})
    (place.root / "config" / "own").mkdir()
    (place.root / "config" / "own" / "one.py").write_text(STAGE, encoding="utf-8")
    text = job.read_text("utf-8")
    job.write_text(f'plugins = ["../own/one.py"]\nnames = ["*.x"]\n{text}', encoding="utf-8")
    compiled = compile_jobs(place.workspace, SECONDS)
    assert compiled.faults == []
    snapshot = read_snapshot(compiled.jobs["deep"].snapshot)
    plan = load_plan(snapshot.lay_out(tmp_path / "laid", Fs()))
    assert plan.configs.used == snapshot.files
