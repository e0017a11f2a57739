"""The lines of keys in TOML files, against texts whose lines are known as they are written."""

from __future__ import annotations

import json
import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.jobs.lines import LineMap

KEYS = st.one_of(
    st.from_regex(r"[A-Za-z0-9_-]{1,6}", fullmatch=True),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), min_size=1, max_size=6),
    st.sampled_from(["a.b", '"', "'", "#", "[x]", "=", " ", '"""', "é"]),
)
TEXTS = st.one_of(
    st.sampled_from(
        ['"""', "'''", "# no comment", "[not.a.table]", 'k = "v"', "\\", '""', "a\n\nb"]
    ),
    st.text("ab\"'\\#[]{}=,.\n ", max_size=8),
)
LEAVES = st.one_of(
    TEXTS, st.integers(-9, 9), st.booleans(), st.floats(allow_nan=False, allow_infinity=False)
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=6,
)
TABLES = st.dictionaries(KEYS, VALUES, max_size=3)
DOCUMENTS = st.fixed_dictionaries(
    {},
    optional={"plain": TABLES, "listed": st.lists(TABLES, min_size=1, max_size=3), "one": VALUES},
)
COMMENTS = st.sampled_from(
    [
        "",
        "# plain",
        '# with """ in it',
        "# with ''' in it",
        '# "a [b] {c',
        "# key = 1",
        "# [[table]]",
    ]
)


def quoted(value) -> str:
    """Return a key or a value as TOML writes it on one line."""
    return json.dumps(value, ensure_ascii=False)


class Writer:
    """Writes TOML in styles that are drawn, and notes the line of every key and item."""

    def __init__(self, data) -> None:
        self.data, self.text, self.lines = data, "", {}

    def draw(self, *choices):
        return self.data.draw(st.sampled_from(choices))

    def put(self, text: str) -> None:
        self.text += text

    def note(self, path) -> None:
        self.lines.setdefault(path, self.text.count("\n") + 1)

    def end(self) -> None:
        self.put(f"  {self.data.draw(COMMENTS)}\n")
        self.put(self.draw("", "\n", '# """ between\n'))

    def key(self, key: str) -> str:
        bare = key.isascii() and key.replace("-", "a").replace("_", "a").isalnum()
        literal = "'" not in key
        return self.draw(*([key] if bare else []), quoted(key), *([f"'{key}'"] if literal else []))

    def string(self, text: str) -> str:
        forms = [quoted(text)]
        if "'" not in text and "\n" not in text:
            forms.append(f"'{text}'")
        if "'''" not in text and not text.endswith("'"):
            forms.append(f"'''\n{text}'''")
        escaped = text.replace("\\", "\\\\").replace('"""', '""\\"')
        forms.append(f'"""\n{escaped}"""')
        return self.draw(*forms)

    def value(self, value, path, *, inline=False) -> None:
        if isinstance(value, dict):
            self.put("{ ")
            for place, (name, inner) in enumerate(value.items()):
                self.put(", " if place else "")
                self.pair(name, inner, path, inline=True)
            self.put(" }")
        elif isinstance(value, list):
            self.put("[")
            for place, inner in enumerate(value):
                self.put("," if place else "")
                self.put(self.draw(" ", "\n", '\n  # ] and } and """\n'))
                self.note((*path, place))
                self.value(inner, (*path, place))
            self.put(self.draw("", ",", ",\n") if value else self.draw("", "\n"))
            self.put("]")
        elif isinstance(value, str):
            self.put(self.string(value))
        else:
            self.put(quoted(value))

    def pair(self, name, value, path, *, inline=False) -> None:
        self.note((*path, name))
        self.put(f"{self.key(name)} = ")
        self.value(value, (*path, name), inline=inline)

    def table(self, table, path) -> None:
        for name, value in table.items():
            dotted = isinstance(value, dict) and value and self.draw("dotted", "") == "dotted"
            if not dotted:
                self.pair(name, value, path)
                self.end()
                continue
            for inner, held in value.items():
                self.note((*path, name))
                self.note((*path, name, inner))
                self.put(f"{self.key(name)}{self.draw('.', ' . ')}{self.key(inner)} = ")
                self.value(held, (*path, name, inner))
                self.end()


@settings(max_examples=60, deadline=None)
@given(DOCUMENTS, st.data())
def test_every_key_and_item_stands_in_the_line_where_it_was_written(document, data):
    writer = Writer(data)
    if "one" in document:
        writer.pair("one", document["one"], ())
        writer.end()
    if "plain" in document:
        writer.note(("plain",))
        writer.put(data.draw(st.sampled_from(["[plain]", "[ plain ]", '["plain"]'])))
        writer.end()
        writer.table(document["plain"], ("plain",))
    for place, table in enumerate(document.get("listed", [])):
        writer.note(("listed",))
        writer.note(("listed", place))
        writer.put("[[listed]]")
        writer.end()
        writer.table(table, ("listed", place))
    assert tomllib.loads(writer.text) == document  # the writer is right
    found = LineMap(writer.text)
    for path, line in writer.lines.items():
        assert found.line(path) == line, (path, writer.text)


def test_quotes_in_a_comment_hide_no_later_key():
    text = (
        'title = "x" # """ here\n\n[[stage]]\nkind = "decode"\n# \'\'\'\n[[stage]]\nkind = "sort"\n'
    )
    found = LineMap(text)
    assert [found.line(path) for path in (("title",), ("stage", 0, "kind"), ("stage", 1))] == [
        1,
        4,
        6,
    ]


def test_quoted_dotted_keys_have_their_line():
    found = LineMap("first = 1\n\"a.b\".'c d'.e = 2\n")
    assert found.line(("a.b", "c d", "e")) == 2
    assert found.line(("a.b", "c d")) == 2


def test_tables_in_items_of_lists_of_tables_have_their_lines():
    text = (
        "[[stage]]\n[[stage.output]]\nfile = 1\n[[stage.output]]\nfile = 2\n"
        "[[stage]]\n[stage.output]\nx = 1\n"
    )
    found = LineMap(text)
    assert found.line(("stage", 0, "output", 1, "file")) == 5
    assert found.line(("stage", 1, "output", "x")) == 8


def test_what_is_not_there_has_the_line_of_the_nearest_table_above():
    found = LineMap("[[stage]]\nkind = 1\n\n[[stage]]\nkind = 2\n")
    assert found.line(("stage", 1, "layout")) == 4
    assert found.line(("files", "ledger")) == 0


def test_line_ends_of_other_systems_count_once():
    assert LineMap("a = 1\r\nb = '''\r\n\r\n'''\r\nc = 1\r\n").line(("c",)) == 5
    # characters that only a word processor takes for line ends
    assert LineMap('a = "\u2028\u0085"\nb = 1\n').line(("b",)) == 2
