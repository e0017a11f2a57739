"""What the service never reads, loads or obeys, and what it refuses by file and line."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import deckwright
import deckwright_plugins
from deckwright.service.inbox.settling import Route
from deckwright.service.system.patterns import matcher
from service.house import cards_of, chain, house

# ---- what is never read or loaded

FOREIGN = {"pickle", "shelve", "marshal", "xml", "xmlrpc", "yaml", "dill", "joblib", "cloudpickle"}


def modules() -> Iterator[Path]:
    for package in (deckwright, deckwright_plugins):
        yield from Path(str(package.__file__)).parent.rglob("*.py")


@cache
def nodes(path: Path) -> list[ast.AST]:
    """Return all that a module is made of."""
    return list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


def imported(path: Path) -> set[str]:
    """Return the packages that a module imports anywhere."""
    found = set()
    for node in nodes(path):
        if isinstance(node, ast.Import):
            found |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module.partition(".")[0])
    return found


def test_no_part_reads_pickled_objects_or_markup() -> None:
    found = {path.name: imported(path) for path in modules()}
    assert len(found) > 100
    assert {name: uses & FOREIGN for name, uses in found.items() if uses & FOREIGN} == {}
    # of processes that exchange objects, only those that one run starts for itself know
    service = [path for path in modules() if "service" in path.parts]
    assert len(service) > 30
    assert not any("multiprocessing" in imported(path) for path in service)


@cache
def calls(path: Path) -> set[str]:
    """Return the names that a module calls."""
    return {ast.unparse(node.func) for node in nodes(path) if isinstance(node, ast.Call)}


def test_no_part_hands_text_to_a_shell_or_to_an_interpreter() -> None:
    risky = {"eval", "exec", "os.system", "os.popen", "compile", "subprocess.getoutput"}
    assert not {path.name: calls(path) & risky for path in modules() if calls(path) & risky}
    for path in modules():
        assert "shell=True" not in path.read_text(encoding="utf-8")


MARKED = """
from pathlib import Path
Path({mark!r}).touch()
"""


def test_only_plugins_that_a_job_names_are_loaded_and_no_planted_module_is() -> None:
    with house() as made:
        marks = made.root.parent / "marks"
        marks.mkdir()
        jobs, planted = made.root / "config" / "jobs", made.root.parent / "planted"
        planted.mkdir()
        named = (Path(__file__).parent / "house_plugins" / "gate.py").read_text()
        for name in ("named", "unnamed"):
            head, _, rest = named.partition("import ctypes\n")
            mark = MARKED.format(mark=str(marks / name))
            (jobs / f"{name}.py").write_text(f"{head}import ctypes\n{rest}{mark}")
        for module in ("polars", "nanoarrow", "deckwright_plugins", "sitecustomize"):
            for place in (planted, made.root / "tmp", jobs):
                (place / f"{module}.py").write_text(
                    MARKED.format(mark=str(marks / f"{module}-in-{place.name}"))
                )
        made.gates.mkdir()
        made.open_gate("gate")
        stage = {"kind": "gate", "file": str(made.gates / "gate")}
        path = made.job("plugged", chain(stage))
        path.write_text('plugins = ["named.py"]\n' + path.read_text())
        run = made.drop("a.txt", cards_of(1), "plugged")
        other = made.drop("b.txt", cards_of(2))
        made.env = {"PYTHONPATH": str(planted), "PYTHONSTARTUP": str(planted / "polars.py")}
        made.once()
        assert made.state(run) == made.state(other) == "done"
        assert {path.name for path in marks.iterdir()} <= {"named", "sitecustomize-in-planted"}
        assert (marks / "named").exists()


# ---- config

REFUSED = {
    "settle_s = nan": "settle_s", "settle_s = inf": "settle_s", "settle_s = -1": "settle_s",
    "settle_s = 1e300": "settle_s", "workers = 1_000_000_000": "workers",
    "workers = 2.5": "workers", "workers = 1\nworkers = 2": "",
    'limits = { deck = "1e99 GiB" }': "deck", 'limits = { memory = "-1 MiB" }': "memory",
    '[jobs."../up"]': "", '[jobs.cards]\nmaster = "../../etc"': "master",
    "[[notice]]\nkind = 'a b'": "kind", "ignore = [1]": "ignore", "\0": "",
}  # fmt: skip


@pytest.mark.parametrize("text", REFUSED)
def test_a_service_file_with_values_beyond_all_bounds_is_refused_by_line(text) -> None:
    with house() as made:
        made.workspace.service_file.write_text(f"{text}\n")
        code, out, err = made.say("watch", made.root, "--once")
        assert (code, out) == (78, "")
        assert "service.toml:" in err
        assert REFUSED[text] in err
        assert "Traceback" not in err
        assert len(err) < 2000


@given(st.lists(st.sampled_from(["*", "?", "[!b]", "a", "**"]), min_size=1, max_size=120),
       st.integers(0, 255))  # fmt: skip
@settings(max_examples=50, deadline=None)
def test_no_pattern_of_names_takes_long(parts, size) -> None:
    pattern = "".join(parts)[:255]
    assert matcher((f"{pattern}c",)).match("a" * size) is None
    assert Route("job", ("*a" * 60,), None, require_marker=False).takes("a" * 255)
