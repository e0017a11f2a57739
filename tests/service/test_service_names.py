"""Any name that the system allows for a file is taken, kept byte for byte, and obeyed nowhere."""

from __future__ import annotations

import json
import random
import unicodedata
from collections.abc import Iterator

import pytest

from service.contract import files_of
from service.house import card, deck, house, run_of
from sets import sizes

ODD = (
    b"-rf", b"--help", b"*", b"?", b"[a]", b"{a,b}", b"$HOME", b"`id`", b"$(id)", b"a;b", b"a|b",
    b"a&b", b"a>b", b"a'b", b'a"b', b"a\\b", b" ", b"a b", b" a", b"a ", b"a\nb", b"\n", b"a\rb",
    b"a\tb", b"a\x1b[2Jb", b"\x1b]0;a\x07", b"a\x00".rstrip(b"\0") + b"\x7f", b"\x01\x02\x03",
    b"\xff", b"\xfe\xff", b"a\xc3", b"\xed\xa0\x80", b"\xc0\xaf", b"a\x80b",
    "\u202egpj.txt".encode(),
    "a\u2028b".encode(), "\u200b".encode(), "\ufeffa".encode(), b"CON", b"nul.txt", b"a:b",
    b"a.", b"a..", b"..a", b"...", b"a..b", b"..%2f..", b"%00", b"%n%s", b"{0}", b"reasons.csv",
    b"manifest.json", b"claim.json", b"deck", b"out", b"control.json", b"cards.csv", b"a" * 255,
    "ä".encode() * 127 + b"a", b"\n" * 255, b"1", b"0x7f", b"null", b"=1+1", b"@a", b"+a",
)  # fmt: skip
"""Names that mean something to some shell, terminal, table, system or program."""

IGNORED = (b".", b"~")

TOP_LEVEL = {
    "EXAMPLES.txt", "README.txt", "by-name", "config", "control", "done", "examples", "hold",
    "inbox", "index.html", "lock", "log", "master", "returned", "tmp", "work",
}  # fmt: skip


def twins() -> Iterator[bytes]:
    """Yield names that look alike: composed and decomposed, and letters of other scripts."""
    for form in ("NFC", "NFD", "NFKC", "NFKD"):
        yield unicodedata.normalize(form, "ﬁchier-é-Å.txt").encode()
    yield from (text.encode() for text in ("pear", "p\u0435ar", "\u0440e\u0430r"))


def generated(count: int, seed: int = 1958) -> set[bytes]:
    """Return so many odd names, none of which the service passes over."""
    dice = random.Random(seed)  # noqa: S311 # no secret
    found = {name for name in [*ODD, *twins()] if not name.startswith(IGNORED)}
    while len(found) < count:
        size = dice.choice((1, 2, 3, 8, 30, 255))
        name = bytes(dice.choice([*range(1, 47), *range(48, 256)]) for _ in range(size))
        endings = (b"~", b".part", b".tmp", b".temp", b".swp", b".ok", b".sha256")
        if not name.startswith(IGNORED) and not name.endswith(endings):
            found.add(name)
    return set(sorted(found)[:count]) if count < len(found) else found


@pytest.mark.parametrize("count", sizes(slow=70, long=300))
def test_every_name_is_taken_given_back_and_obeyed_nowhere(count) -> None:
    names = sorted(generated(count))
    assert len(names) == count
    with house() as made:
        outside = {path.name for path in made.root.parent.iterdir()}
        decks = {name: deck(card(1 + n, n)) for n, name in enumerate(names)}
        runs = {name: made.drop(name, data) for name, data in decks.items()}
        bad = made.drop(b"\x1b[31mback\n\xff", "ß\n".encode("utf-16"))
        made.once()
        for name, run in runs.items():
            home = made.done(run)
            claim = made.claim(run)
            assert claim.deck.name_bytes == name
            assert claim.deck.shown.isprintable()
            assert (home / "deck").read_bytes() == decks[name]
            inner = {path.name for path in home.rglob("*")}
            assert all(each.isascii() and each.isprintable() for each in inner)
        assert made.returned(bad) == ["deck-unreadable"]
        words = (made.root / "returned" / bad / "reasons.txt").read_text()
        assert "\\x1b[31mback\\n\\xff" in words
        now = {path.name for path in made.root.parent.iterdir()}
        assert now == {*outside, "house.log", "house.errors"}
        ledger = {path.name for path in made.root.glob("ledger.db*")}
        assert {path.name for path in made.root.iterdir()} == TOP_LEVEL | ledger
        assert made.check(ended=True).done == count

        raw = (made.root.parent / "house.log").read_bytes()
        assert raw.isascii()
        assert all(byte >= 0x20 or byte == 0x0A for byte in raw)
        lines = raw.decode().splitlines()
        assert len([json.loads(line) for line in lines]) == raw.count(b"\n")
        assert len({line["run"] for line in made.events("run_done")}) == count

        code, table, _ = made.say("status", made.root)
        assert code == 13  # not running
        assert all(each.isprintable() or each == "\n" for each in table)
        again = run_of(names[0], decks[names[0]], 2)
        assert made.call("requeue", made.root, runs[names[0]])[0] == 0
        made.once()
        assert made.claim(again).deck.name_bytes == names[0]
        assert made.say("verify", made.root)[0] == 0


def test_names_that_are_safe_are_those_of_outputs_and_no_others_are() -> None:
    with house() as made:
        bad = deck(card(1), "XX")
        safe, odd = made.drop("week-1.txt", bad), made.drop("we ek", bad)
        reserved = made.drop("reasons.csv", bad)
        made.once()
        for run, name in ((safe, "week-1.txt"), (odd, "deck"), (reserved, "deck")):
            assert set(files_of(made.done(run) / "out" / "returned")) == {name, "reasons.csv"}
