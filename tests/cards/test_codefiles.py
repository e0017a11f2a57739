"""Code files of a user's own: what they may say, and what is refused with file and line."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from deckwright.cards.codes import code_names, load_code
from deckwright.cards.codetable import CodeTable
from deckwright.cards.holes import format_pattern, parse_pattern
from deckwright.errors import ConfigError


def character(code: CodeTable, holes: str) -> str | None:
    """Return the character of a pattern, None where it has none."""
    assert code.from_holes is not None
    slot = int(code.from_holes[parse_pattern(holes)])
    return None if slot < 0 else code.alphabet.characters[slot]


def write(folder: Path, name: str, text: str) -> list[Path]:
    """Write a code file and return the folders to look in."""
    (folder / name).write_text(text, "utf-8")
    return [folder]


def test_a_csv_file_is_a_code(tmp_path: Path) -> None:
    text = (
        "# title: Tiny set (invented)\n# source: invented\nchar,holes,byte_hex\n"
        'A,12-1,41\n",",0-8-3,2C\n#,8-3,23\nU+0020,,20\n'
    )
    code = load_code("tiny", write(tmp_path, "tiny.csv", text))
    assert (code.name, code.title, code.source) == ("tiny", "Tiny set (invented)", "invented")
    assert [character(code, holes) for holes in ("12-1", "0-8-3", "8-3", "")] == [
        "A",
        ",",
        "#",
        " ",
    ]
    assert code.alphabet.defined.sum() == 4
    assert code.from_raw is not None
    assert code.from_raw[0x41] == ord("A")
    assert "tiny" in code_names([tmp_path])


def test_a_csv_file_without_bytes_is_a_code_of_holes_alone(tmp_path: Path) -> None:
    code = load_code("tiny", write(tmp_path, "tiny.csv", "holes,char\n12-1,A\n"))
    assert code.from_raw is None
    assert character(code, "12-1") == "A"


def test_a_toml_file_is_a_code(tmp_path: Path) -> None:
    text = (
        'title = "Tiny"\n[holes]\nA = "12-1"\n"U+0020" = ""\n[bytes]\nA = "41"\n"U+0020" = "20"\n'
    )
    code = load_code("tiny", write(tmp_path, "tiny.toml", text))
    assert [character(code, holes) for holes in ("12-1", "")] == ["A", " "]
    assert code.to_raw is not None
    assert code.to_raw[ord("A")] == 0x41


def test_the_example_variant_takes_over_patterns_and_bytes_of_its_base() -> None:
    folder = Path(__file__).parents[2] / "config" / "codes"
    code, base = load_code("coast-national", [folder]), load_code("ebcdic")
    assert [character(code, holes) for holes in ("11-8-3", "8-3", "8-4")] == ["Å", "Æ", "Ø"]
    assert [character(base, holes) for holes in ("11-8-3", "8-3", "8-4")] == ["$", "#", "@"]
    assert code.from_raw is not None
    assert code.alphabet.characters[code.from_raw[0x5B]] == "Å"
    assert character(code, "12-1") == "A"
    assert not code.alphabet.defined[ord("$")]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("char,holes\nA,12-1\nB,1-12\n", 3, ["'B' and 'A'", ":2)", "both punched 12-1"]),
        ("char,holes\nA,12-1\nB,12-2\nA,12-3\n", 4, [":2)", "the same character"]),
        ("char,holes,byte_hex\nA,1,41\nB,2,41\n", 3, [":2)", "both have the byte 41"]),
        ("# title: x\n\nchar,holes\nA,1\nB,1\n", 5, [":4)", "both punched 1"]),
        ("char,holes\nA,12-13\n", 2, ["'13' in '12-13' is not a row"]),
        ("char,holes\nAB,12\n", 2, ["'AB' is not one character"]),
        ("char,holes\nU+110000,12\n", 2, ["'U+110000' is not one character"]),
        ("char,holes\n,12\n", 2, ["'' is not one character"]),
        ("char,holes,byte_hex\nA,1,4\n", 2, ["'4' is not a byte"]),
        ("char,holes,byte_hex\nA,1\n", 2, ["'' is not a byte"]),
        ("sign,holes\nA,1\n", 1, ["columns 'char' and 'holes'"]),
        ("char,holes\n", 0, ["holds no characters"]),
        ("", 1, ["columns 'char' and 'holes'"]),
    ],
)
def test_a_faulty_csv_file_is_refused_with_file_and_line(
    tmp_path: Path,
    text: str,
    line: int,
    words: list[str],
) -> None:
    with pytest.raises(ConfigError) as caught:
        load_code("own", write(tmp_path, "own.csv", text))
    (fault,) = caught.value.faults
    assert (fault.file, fault.line) == (str(tmp_path / "own.csv"), line)
    assert all(word in fault.what for word in words), fault.what


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[holes]\nA = "12-1"\n\n"B" = "12-1"\n', 4, ["'B' and 'A'", ":2)", "12-1"]),
        ('holes = { A = "1", B = "1" }\n', 1, ["'B' and 'A'", ":1)", "both punched 1"]),
        ('[holes]\nA = "1"\n"U+0041" = "2"\n', 3, ["'A' and 'A'", ":2)", "same character"]),
        ('[holes]\nA = "1"\nB = ""\nC = "blank"\n', 4, ["'C' and 'B'", ":3)", "punched blank"]),
        (
            '[holes]\nA = "1"\nB = "2"\n[bytes]\nA = "41"\nB = "41"\n',
            3,
            ["'B' and 'A'", ":2)", "both have the byte 41"],
        ),
        ('[holes]\nA = "1"\nA = "2"\n', 3, ["is not valid TOML"]),
        ('name = "x"\n[holes]\nA = "1"\n', 1, ["unknown key 'name'"]),
        ('title = 3\n[holes]\nA = "1"\n', 1, ["'title' must be a text"]),
        ("[holes]\nA = 1\n", 1, ["'holes' must be a table of texts"]),
        ('[holes]\nA = "1"\n[bytes]\nA = "41"\nB = "42"\n', 5, ["'B' has a byte but no holes"]),
        ('[holes]\nA = "1"\nB = "2"\n[bytes]\nA = "41"\n', 3, ["'' is not a byte"]),
        ('base = "nope"\n[holes]\nA = "1"\n', 0, ["the base 'nope' is not", "commercial-48"]),
        ('base = "ebcdic"\n[holes]\n"Ω" = "1-2"\n', 3, ["the base has no byte"]),
        (
            'base = "ebcdic"\n[holes]\n"Ω" = "1-2"\n[bytes]\n"Ω" = "C1"\n',
            3,
            ["ebcdic.csv", "byte C1"],
        ),
    ],
)
def test_a_faulty_toml_file_is_refused_with_file_and_line(
    tmp_path: Path,
    text: str,
    line: int,
    words: list[str],
) -> None:
    with pytest.raises(ConfigError) as caught:
        load_code("own", write(tmp_path, "own.toml", text))
    (fault,) = caught.value.faults
    assert (fault.file, fault.line) == (str(tmp_path / "own.toml"), line)
    assert all(word in fault.what for word in words), fault.what


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("own.csv", "char,holes\nA,12-1\nB,12-1\n", r"own\.csv:3: 'B' and 'A' \(.*own\.csv:2\) "),
        ("own.toml", '[holes]\nA = "1"\nB = "1"\n', r"own\.toml:3: 'B' and 'A' \(.*own\.toml:2\) "),
    ],
)
def test_a_table_that_is_not_one_to_one_is_refused_with_the_job(
    shop: Any, tmp_path: Path, name: str, text: str, words: str
) -> None:
    (tmp_path / "codes").mkdir()
    write(tmp_path / "codes", name, text)
    stages = [{"kind": "decode", "medium": {"kind": "column-binary", "code": "own"}}]
    said = shop.say("check", shop.job(tmp_path, stages))
    assert said.code == 2
    assert re.search(words, said.err), said.err


def test_every_fault_of_a_file_is_named_at_once(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        load_code("own", write(tmp_path, "own.csv", "char,holes\nAB,1\nA,13\nB,2\nB,3\n"))
    assert [fault.line for fault in caught.value.faults] == [2, 3, 5]


def test_a_file_that_is_not_utf_8_is_refused(tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_bytes(b"char,holes\n\xe9,1\n")
    with pytest.raises(ConfigError, match=r"own\.csv: is not UTF-8 text \(byte 12\)"):
        load_code("own", [tmp_path])


def test_more_than_128_characters_beyond_ascii_are_refused(tmp_path: Path) -> None:
    holes = [format_pattern(p) for p in range(129)]
    rows = "".join(f"{chr(0x400 + place)},{name}\n" for place, name in enumerate(holes))
    with pytest.raises(ConfigError, match="1 characters too many"):
        load_code("own", write(tmp_path, "own.csv", f"char,holes\n{rows}"))


@pytest.mark.parametrize(
    ("first", "second", "rival"),
    [("ebcdic.csv", None, "the program"), ("own.csv", "own.toml", "own.csv")],
)
def test_a_name_that_is_taken_is_refused(
    tmp_path: Path,
    first: str,
    second: str | None,
    rival: str,
) -> None:
    for name in filter(None, (first, second)):
        write(tmp_path, name, "char,holes\nA,12-1\n")
    with pytest.raises(ConfigError, match=f"{rival} brings too"):
        load_code(first.removesuffix(".csv"), [tmp_path])


def test_a_file_may_take_the_name_of_a_python_codec(tmp_path: Path) -> None:
    code = load_code("cp437", write(tmp_path, "cp437.csv", "char,holes\nA,12-1\n"))
    assert code.alphabet.defined.sum() == 1


def test_folders_that_do_not_exist_are_passed_over(tmp_path: Path) -> None:
    assert load_code("ebcdic", [tmp_path / "none"]).name == "ebcdic"
