"""What the Tab key offers: topics, kinds, codes, conditions, jobs."""

from __future__ import annotations

import pytest


def offered(shop, folder, typed: str) -> list[str]:
    words = ["deckwright", *typed.split(" ")]
    said = shop.call(
        env={
            "COMP_WORDS": " ".join(words), "COMP_CWORD": str(len(words) - 1),
            "_DECKWRIGHT_COMPLETE": "bash_complete",
        },
        cwd=folder,
        name="deckwright",
    )  # fmt: skip
    return [line.partition(",")[2] for line in said.out.splitlines()]


@pytest.fixture(scope="module")
def place(tmp_path_factory, shop):
    folder = tmp_path_factory.mktemp("completion")
    assert shop.say("init", folder / "depot").code == 0
    return folder


@pytest.mark.parametrize(("typed", "first"), [
    ("gui", "guide"), ("guide lay", "layout"), ("stages rep", "reproduce"),
    ("simulate --condition upside", "upside-down"), ("examine x --code cp03", "cp037"),
    ("hold depot fi", "first"),
    ("run --out", "--out"),
])  # fmt: skip
def test_the_tab_key_completes(typed, first, place, shop):
    assert first in offered(shop, place, typed)
