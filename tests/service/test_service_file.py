"""A fault in the service file is said with its file and line, and what would do."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import Field, ValidationError

from deckwright import StageConfig
from deckwright.errors import ConfigError
from deckwright.jobs.base import ConfigModel
from deckwright.jobs.service import (
    DeliverSpec,
    JobServiceSpec,
    LimitsSpec,
    NoticeSpec,
    RetrySpec,
    ServiceSpec,
    load_service,
)

TABLES: dict[str, type[ConfigModel]] = {
    "": ServiceSpec,
    "[limits]": LimitsSpec,
    "[retry]": RetrySpec,
    "[jobs.first]": JobServiceSpec,
    "[jobs.first.deliver]": DeliverSpec,
    "[[notice]]": NoticeSpec,
}
NEEDED = {"[jobs.first.deliver]": 'to = "x"', "[[notice]]": 'kind = "append-line"'}
WRONG = {
    "workers": ["0", "65", "1.5", '"two"', "[]", "-1", "true", '"2"', "2.0"],
    "large": ['"4 MB/s"', '"lots"', "4", '""', "0"],
    "settle_s": ["0", "-2", '"2 s"', "nan", "inf", "1e9"],
    "scan_s": ["0", "-1", "true", '"10"'],
    "stall_s": ["0"],
    "late_s": ["0", '"1 day"'],
    "stop_s": ["-5"],
    "observer": ['"inotify"', '""', "true"],
    "ignore": ['"*.tmp"', "[1]", "{}"],
    "lease": ['"perhaps"', "2", "[]", "1", '"yes"'],
    "allow_hard_links": ['"perhaps"', "1"],
    "allow_unsafe_filesystem": ['"perhaps"', "1"],
    "log_level": ['"loud"', "1"],
    "metrics_port": ["-1", "65536", "true", '"9100"', "1.5"],
    "log_size": ['"lots"', "4", '""', "0"],
    "log_files": ["-1", "1001", "true", '"9"'],
    "limits": ["5", "[]"],
    "retry": ["5"],
    "jobs": ["5", '["first"]'],
    "plugins": ['"bell.py"', "[5]", '["/bell.py"]', '["../bell.py"]', '["bell.txt"]'],
    "notice": ["5", "{}"],
    "memory": ['"2 GX"', "0"],
    "file": ['""'],
    "deck": ['"big"', '"0 MiB"'],
    "open_files": ["0", "63", "65537", '"256"'],
    "job_timeout_s": ["0", "true"],
    "min_free": ['"none"'],
    "runs_a_worker": ["0", "1000001", "true"],
    "tries": ["0", "101", "true"],
    "stage_tries": ["0", "true"],
    "first_wait_s": ["0"],
    "longest_wait_s": ["-1"],
    "breaker": ["0", "10001", "true"],
    "duplicates": ['"keep"'],
    "duplicate_scope": ['"bytes"'],
    "require_marker": ['"perhaps"', "1"],
    "master": ['"../stock"', '""', "5", f'"{"x" * 65}"'],
    "next_master": ["5"],
    "priority": ["10", "-10", "true", '"high"'],
    "at_once": ["0", "65", "true"],
    "due_s": ["0", '"soon"'],
    "urgent": ['"a"', "[5]"],
    "deliver": ["5", "{}"],
    "fetch": ["5", "[]"],
    "to": ["5"],
    "files": ['"a.csv"', "[5]"],
    "kind": ['"a b"', '""', '"-x"', "5"],
    "options": ["5", "[]"],
}
"""For each key, values that it must not have."""

CASES = [(table, key) for table, model in TABLES.items() for key in model.model_fields]


def faults_of(path: Path, text: str) -> list[str]:
    """Return the faults of a service file, without the path."""
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_service(path)
    assert caught.value.exit_code == 2
    lines = str(caught.value).splitlines()
    assert all(line.startswith(f"{path}:") for line in lines), lines
    return [line.removeprefix(f"{path}:") for line in lines]


@pytest.mark.parametrize(("table", "key"), CASES)
def test_a_wrong_value_is_named_with_its_line(table, key, tmp_path) -> None:
    needed = NEEDED.get(table, "")
    if needed.startswith(f"{key} "):
        needed = ""
    for value in WRONG[key]:
        text = f"# one\n{table}\n{needed}\n{key} = {value}\n"
        faults = faults_of(tmp_path / "service.toml", text)
        assert len(faults) == 1, faults
        # a table that lacks what it needs is named by what it lacks
        within = r"(the key ')?(limits\.|retry\.|jobs\.first\.|deliver\.|notice\[1\]\.)*"
        assert re.match(rf"4: {within}{key}\b", faults[0]), value
        assert not faults[0].endswith(".")


@pytest.mark.parametrize(("table", "model"), TABLES.items())
def test_a_misspelt_key_is_named_with_what_comes_near(table, model, tmp_path) -> None:
    for key in model.model_fields:
        wrong = f"{key[:-1]}x" if len(key) > 3 else f"{key}x"
        text = f"{table}\n{NEEDED.get(table, '')}\n{wrong} = 1\n"
        [fault] = faults_of(tmp_path / "service.toml", text)
        assert re.match(rf"3: unknown key '.*{wrong}'; (did you mean|there are:)", fault)
        if len(key) > 4:
            assert f"'{key}'" in fault


class OwnConfig(StageConfig):
    """Options as the author of a plugin writes them."""

    count: int = 1
    part: float = 1
    each: list[int] = Field(default_factory=list)
    named: dict[str, bool] = Field(default_factory=dict)
    share: Decimal = Decimal(1)
    length: Annotated[int, Field(ge=1)] | Literal["longest"] = 1


@pytest.mark.parametrize(
    ("key", "good", "bad"),
    [
        ("count", [2], [True, "2", 2.0]),
        ("part", [2, 2.5], [True, "2"]),
        ("each", [[1, 2]], [[1, True], ["1"]]),
        ("named", [{"a": True}], [{"a": 1}, {"a": "true"}]),
        ("share", ["0.1", 1], ["one"]),
        ("length", [3, "longest"], [True, "3"]),
    ],
)
def test_numbers_and_truth_values_are_never_made_of_something_else(key, good, bad) -> None:
    for value in good:
        assert OwnConfig.model_validate({key: value})
    for value in bad:
        with pytest.raises(ValidationError):
            OwnConfig.model_validate({key: value})


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_every_fault_of_a_file_is_named_at_once(room, data) -> None:
    lines, expected = [], set()
    for table, model in TABLES.items():
        if table in NEEDED:
            continue
        plain = [key for key in model.model_fields if key not in {"limits", "retry", "jobs", "notice", "deliver"}]  # fmt: skip # noqa: E501
        lines.append(table)
        for key in sorted(data.draw(st.sets(st.sampled_from(plain), max_size=3))):
            lines.append(f"{key} = {data.draw(st.sampled_from(WRONG[key]))}")
            expected.add(len(lines))
    if not expected:
        return
    faults = faults_of(room() / "service.toml", "\n".join(lines) + "\n")
    assert {int(fault.partition(":")[0]) for fault in faults} == expected


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("workers = \n", "1: is not valid TOML: what follows the = is no value"),
        ("workers = 1\nworkers = 2\n", "2: is not valid TOML: a key is given twice"),
        ("[limits\n", "1: is not valid TOML: a bracket"),
        ('[jobs."a b"]\n', "1: jobs.a b"),
        ("[[notice]]\n", "1: the key 'notice[1].kind' is missing"),
        ("[jobs.first.deliver]\nfiles = []\n", "1: the key 'jobs.first.deliver.to' is missing"),
    ],
)
def test_other_faults_have_a_line_too(text, fault, tmp_path) -> None:
    [found] = faults_of(tmp_path / "service.toml", text)
    assert found.startswith(fault)


def test_a_file_that_cannot_be_read_is_named(tmp_path) -> None:
    path = tmp_path / "service.toml"
    path.write_bytes(b"workers = 1\n# \xff\n")
    with pytest.raises(ConfigError, match=r"service\.toml:2: is not UTF-8 text"):
        load_service(path)


def test_no_file_and_an_empty_file_mean_all_defaults(tmp_path) -> None:
    path = tmp_path / "service.toml"
    assert load_service(path) == ServiceSpec()
    path.write_bytes(b"")
    assert load_service(path) == ServiceSpec()


def test_every_key_is_taken_when_it_is_right(tmp_path) -> None:
    good: dict[str, Any] = {
        "workers": 1, "large": "1 MB", "settle_s": 0.5, "observer": "polling", "ignore": ["*.x"],
        "lease": False, "log_level": "debug",
    }  # fmt: skip
    text = "\n".join(f"{key} = {str(value).lower() if isinstance(value, bool) else repr(value)}"
                     for key, value in good.items())  # fmt: skip
    path = tmp_path / "service.toml"
    path.write_text(text + '\n[jobs.first]\nmaster = "stock"\n', encoding="utf-8")
    spec = load_service(path)
    assert {key: getattr(spec, key) for key in good} == good
    assert spec.job("first").master == "stock"
    assert spec.job("another") == JobServiceSpec()
