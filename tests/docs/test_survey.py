"""The page on surveys: its deck, commands, files and figures come out as it says."""

from __future__ import annotations

import contextlib
import csv
import re
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

PAGE = "survey.md"


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@dataclass(frozen=True, slots=True)
class Followed:
    """The page once it has been followed: the folder, what each command printed."""

    folder: Path
    said: list[str]


@pytest.fixture(scope="module")
def survey(pages: Any, shop: Any, tmp_path_factory: pytest.TempPathFactory) -> Followed:
    """Follow the page in a folder of its own: its files, its commands."""
    folder = tmp_path_factory.mktemp("survey")
    for name, block in pages.named(PAGE).items():
        (folder / name).write_text(block, encoding="utf-8")
    said = []
    with contextlib.chdir(folder):
        exec(pages.blocks(PAGE, "python")[0], {})  # noqa: S102 # a block of the page
        for line in "".join(pages.blocks(PAGE, "console")).splitlines():
            answer = shop.say(*shlex.split(line)[1:])
            assert answer.code == 0, (line, answer.err)
            said.append(answer.out)
    return Followed(folder, said)


def test_the_page_on_surveys_comes_out_as_it_says(pages, survey, capsys) -> None:
    first, named, *_ = survey.said
    assert "column-binary" in first
    assert "choose with --" in " ".join(first.split())
    assert "620 cards of 80 columns; column-binary in code ebcdic" in named
    assert re.findall(r"^ +(\d+)\s+multi-punch", named, re.MULTILINE) == ["10", "11", "6"]
    assert (survey.folder / "harbour.html").stat().st_size
    deck = np.frombuffer((survey.folder / "harbour.cbn").read_bytes(), np.uint8).reshape(-1, 160)
    third = (deck[:, 8:10] == [1, 0]).all(axis=1)  # row 3 of column 5: six rows a byte
    assert third.sum() == 20
    out = survey.folder / "apart" / "out"
    assert (out / "panel.cbn").read_bytes() == deck[third].tobytes()
    assert (out / "answers.cbn").read_bytes() == deck[~third].tobytes()
    with contextlib.chdir(survey.folder):
        exec(pages.blocks(PAGE, "python")[1], {})  # noqa: S102 # a block of the page
    assert capsys.readouterr().out == pages.blocks(PAGE, "text")[0]


def test_variables_and_frequencies_are_those_of_the_raw_bytes(survey) -> None:
    deck = np.frombuffer((survey.folder / "apart" / "out" / "answers.cbn").read_bytes(), np.uint8)
    rows = np.unpackbits(deck.reshape(-1, 80, 2, 1), axis=3)[..., 2:].reshape(-1, 80, 12)
    names = ["12", "11", *map(str, range(10))]
    for number, columns in ((1, [9, 10, 11]), (2, [6])):
        mine = rows[number - 1 :: 2]
        spread = rows_of(survey.folder / "harbour" / "out" / f"card-{number}.csv")
        counts = rows_of(survey.folder / "harbour" / "out" / f"card-{number}-frequencies.csv")
        counted = {line["variable"]: int(line["holes"]) for line in counts}
        empty = {line["column"]: int(line["holes"]) for line in counts if line["row"] == "none"}
        assert len(spread) == 300
        for column in columns:
            for place, row in enumerate(names):
                there = mine[:, column - 1, place]
                variable = f"D{number}C{column:02}_{row}"
                assert [int(line[variable]) for line in spread] == there.tolist()
                assert counted[variable] == there.sum()
            assert empty[str(column)] == (~mine[:, column - 1].any(axis=1)).sum()


def test_two_answers_where_one_is_allowed_are_asked_about_and_kept(shop, survey) -> None:
    queries = rows_of(survey.folder / "harbour" / "queries.csv")
    assert [(line["field"], line["reason"]) for line in queries] == [
        ("vote", "illegal-pattern"), ("vote", "illegal-pattern")
    ]  # fmt: skip
    persons = rows_of(survey.folder / "harbour" / "out" / "persons.csv")
    assert [line["person"] for line in persons if not line["vote"]] == ["0077", "0201"]
    assert "column 9" in shop.say("trace", survey.folder / "harbour", queries[0]["card"]).out


def test_no_name_is_left_in_what_is_made_of_the_answers(survey) -> None:
    for path in (survey.folder / "harbour").rglob("*"):
        if path.suffix in {".csv", ".html", ".json", ".jsonl"}:
            assert "QUAY STREET" not in path.read_text(encoding="utf-8"), path


def test_persons_get_other_numbers_by_a_table(pages, shop, survey) -> None:
    keys = "".join(f"{number:04},{9999 - number}\n" for number in range(1, 301))
    (survey.folder / "pseudonyms.csv").write_text(f"person,code\n{keys}", encoding="utf-8")
    extra = next(block for block in pages.blocks(PAGE, "toml") if "pseudonyms" in block)
    files, _, merge = extra.partition("[[stage]]")
    job = survey.folder / "harbour.toml"
    head, first, rest = job.read_text(encoding="utf-8").partition("[[stage]]")
    before, spread, after = rest.partition('[[stage]]\nkind = "spread"')
    after = after.replace('fields = ["person"]', 'fields = ["code"]').replace(
        '["person", "sex"', '["code", "sex"'
    )
    job.write_text(
        head + files + first + before + "[[stage]]" + merge + "\n" + spread + after,
        encoding="utf-8",
    )
    answers = survey.folder / "apart" / "out" / "answers.cbn"
    said = shop.say("run", job, answers, "--out", survey.folder / "coded")
    assert said.code == 0, said.err
    assert [line["code"] for line in rows_of(survey.folder / "coded" / "out" / "card-1.csv")] == [
        str(9999 - number) for number in range(1, 301)
    ]
