"""What a ready-marker says, and of which deck."""

from __future__ import annotations

import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.service.store.markers import deck_of, digest_in

# ---- markers


@given(st.binary(min_size=32, max_size=32), st.sampled_from(["", "\n", "  a b.txt\n", " *a\r\n"]))
def test_a_marker_is_read_as_the_usual_tools_write_it(tmp_path_factory, digest, rest):
    path = tmp_path_factory.mktemp("marker") / "deck.sha256"
    for text in (digest.hex() + rest, digest.hex().upper() + rest, "\\" + digest.hex() + rest):
        path.write_text(text, encoding="utf-8")
        assert digest_in(os.fspath(path)) == digest.hex()


@pytest.mark.parametrize("text", ["", "\n", "ab" * 31, "ab" * 33, "g" * 64, " " + "a" * 64, "{}"])
def test_a_marker_that_names_no_digest_says_so(tmp_path, text):
    path = tmp_path / "deck.sha256"
    path.write_text(text, encoding="utf-8")
    assert digest_in(os.fspath(path)) is None


def test_a_marker_that_is_a_link_or_a_pipe_is_not_read(tmp_path):
    (tmp_path / "target").write_text("a" * 64, encoding="utf-8")
    (tmp_path / "link").symlink_to("target")
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="symbolic links"):
        digest_in(os.fspath(tmp_path / "link"))
    assert digest_in(os.fspath(tmp_path / "pipe")) is None
    assert digest_in(os.fspath(tmp_path / "target")) == "a" * 64


@pytest.mark.parametrize(
    ("name", "deck"),
    [
        ("a.ok", ("a", ".ok")),
        ("a.txt.sha256", ("a.txt", ".sha256")),
        ("a.ok.ok", ("a.ok", ".ok")),
        (".ok", None),
        ("aok", None),
        ("a.OK", None),
    ],
)
def test_a_marker_names_its_deck(name, deck):
    assert deck_of(name) == deck
