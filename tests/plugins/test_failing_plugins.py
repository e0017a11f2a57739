"""Wherever a plugin fails, one sentence names it, its file and line; nothing is half written."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

STAGE = '''"""A stage of one shape, every method its own."""

from dataclasses import replace

from deckwright import (
    FinishStage, GroupStage, ScanStage, SinkStage, SortKey, SortStage, SourceStage, StageConfig,
    TrayStage, hookimpl,
)


class Config(StageConfig):
    """No options."""


class Methods:
    def __init__(self, config, setting):
        super().__init__(config, setting)

    def outline(self, known):
        return super().outline(known)

    def most_returned(self, cards):
        return super().most_returned(cards)

    def masters(self):
        return super().masters()

    def prepare(self, bench):
        super().prepare(bench)

    def open(self, bench):
        super().open(bench)

    def finish(self, closing):
        return super().finish(closing)

    def run(self, tray, book, *known):
        return tray


class Odd(Methods, SHAPE[Config]):
    kind = "odd"

    def group_fields(self):
        return ["item"]

    def returned_sums(self):
        return super().returned_sums()

    def fold(self, tray):
        return 1

    def join(self, earlier, later):
        return earlier + later

    def keys(self):
        return [SortKey("item")]

    def files(self):
        return {}

    def write(self, tray, book):
        return []

    def beside(self):
        return {}

    def completes(self):
        return []


class Source(Methods, SourceStage[Config]):
    kind = "source"

    def __init__(self, config, setting):
        super().__init__(config, setting)
        self.medium = setting.medium({"kind": "text"})

    def outline(self, known):
        return replace(known, code=self.medium.code, medium=self.medium)


@hookimpl
def deckwright_stages():
    return [Odd, Source]
'''

MEDIUM = '''"""Text lines of a kind of their own, every method written out."""

from deckwright import MediumConfig, hookimpl
from deckwright_plugins.media.text.medium import TextConfig, TextLines


class Config(TextConfig):
    """No options."""

    kind: str = "odd"


class Odd(TextLines):
    kind = "odd"
    config_model = Config
    keeps_originals = KEEPS

    def __init__(self, config, code):
        super().__init__(config, code)

    def survey(self, deck, cards_a_span):
        return super().survey(deck, cards_a_span)

    def read(self, deck, span, cards_a_tray):
        yield from super().read(deck, span, cards_a_tray)

    def encode(self, text, holes, lengths, alphabet):
        return super().encode(text, holes, lengths, alphabet)

    def with_media(self, make):
        return super().with_media(make)

    def use_folder(self, folder):
        super().use_folder(folder)

    def record(self, record):
        return super().record(record)

    def like(self, deck):
        return super().like(deck)

    def original(self, deck, card):
        yield b"a card"

    def returned_name(self, name):
        return super().returned_name(name)

    def end(self):
        return super().end()

    def finish(self, closing):
        return super().finish(closing)

    def suffix(self):
        return super().suffix()


@hookimpl
def deckwright_media():
    return [Odd]
'''

FORM = '''"""A form, every method its own."""

from deckwright import Form, FormConfig, hookimpl


class Config(FormConfig):
    """No options."""


class Odd(Form[Config]):
    kind = "odd"

    def __init__(self, config, setting):
        super().__init__(config, setting)

    def outline(self, known):
        super().outline(known)

    def head(self):
        return b""

    def body(self, tray):
        return b"."

    def schema(self):
        return {}

    def beside(self):
        return super().beside()

    def complete(self, pieces, place, bench):
        place.write_bytes(b"".join(pieces))


@hookimpl
def deckwright_forms():
    return [Odd]
'''
OF_FORM = ["__init__", "outline", "head", "body", "schema", "beside", "complete"]

COMMON = ["__init__", "outline", "most_returned", "masters", "prepare", "open", "finish"]
OF_SHAPE = {
    "TrayStage": ["run"],
    "GroupStage": ["run", "group_fields", "returned_sums"],
    "ScanStage": ["run", "fold"],  # states of two stretches are joined in tests/engine
    "SortStage": ["keys"],
    "SinkStage": ["files", "write", "beside", "completes"],
    "FinishStage": [],
}
OF_MEDIUM = ["__init__", "survey", "read", "encode", "with_media", "use_folder", "record", "like",
             "original", "returned_name", "end", "finish"]  # fmt: skip


def broken(source: str, method: str, owner: str = "") -> tuple[str, int]:
    """Return the source with a method that raises, and the line on which it does."""
    start = source.index(f"class {owner}") if owner else 0
    head = re.compile(rf"    def {method}\(.*\):\n").search(source, start)
    assert head is not None
    changed = source[: head.end()] + '        raise ValueError("no luck")\n' + source[head.end() :]
    return changed, source[: head.end()].count("\n") + 1


def said_by(shop, folder, source, stages, deck):
    """Run a chain with a one-file plugin; return what the command line says."""
    (folder / "odd.py").write_text(source, encoding="utf-8")
    job = shop.job(folder, stages, plugins=["odd.py"])
    said = shop.say("run", job, deck, "--out", folder / "run", "--workers", 1)
    assert "Traceback" not in said.err
    assert not (folder / "run").exists()
    assert not [path.name for path in folder.iterdir() if path.name.startswith(".")]
    *progress, last = said.err.splitlines()
    assert not [line for line in progress if line.startswith("deckwright:")]
    return replace(said, err=last.removeprefix("deckwright: "))


@pytest.mark.parametrize(
    ("shape", "method"),
    [
        (s, m)
        for s, own in OF_SHAPE.items()
        for m in [*COMMON, *own]
        if (s, m) not in {("SortStage", "open"), ("FinishStage", "open")}
    ],  # the engine itself sorts; no card comes to a finisher
)
def test_a_stage_that_fails_anywhere_is_named_in_one_sentence(shop, tmp_path, shape, method):
    named = "ScanStage[Config, int]" if shape == "ScanStage" else f"{shape}[Config]"
    source, line = broken(STAGE.replace("SHAPE[Config]", named), method)
    odd = {"kind": "odd"}
    middle = [{"kind": "sort", "keys": ["item"]}, odd] if shape == "GroupStage" else [odd]
    deck = shop.deck(tmp_path / "deck.txt", [shop.receipt(1), shop.receipt(2)])
    number = 2 + len(middle)
    said = said_by(shop, tmp_path, source, shop.chain(*middle), deck)
    place = (
        "failed on cards 1 to 2" if method in {"run", "write", "fold"} else f"failed in {method}"
    )
    assert said.err == (
        f"stage {number} (odd) (odd.py) {place}: ValueError: no luck (odd.py:{line})"
    )
    assert said.code == 3


@pytest.mark.parametrize("method", ["__init__", "outline", "run"])
def test_a_source_that_fails_is_named_too(shop, tmp_path, method):
    owner = "Methods" if method == "run" else "Source"
    source, line = broken(STAGE.replace("SHAPE", "TrayStage"), method, owner)
    deck = shop.deck(tmp_path / "deck.txt", [shop.receipt(1)])
    stages = [{"kind": "source"}, *shop.chain()[1:]]
    said = said_by(shop, tmp_path, source, stages, deck)
    assert said.err.startswith("stage 1 (source) (odd.py) failed")
    assert said.err.endswith(f"ValueError: no luck (odd.py:{line})")
    assert said.code == 3


@pytest.mark.parametrize("method", OF_MEDIUM)
def test_a_medium_that_fails_anywhere_is_named_in_one_sentence(shop, tmp_path, method):
    source, line = broken(MEDIUM.replace("KEEPS", str(method == "original")), method)
    # a card that comes back, and one whose record is kept as it came
    deck = shop.deck(tmp_path / "deck.txt", ["0000A00100{", shop.receipt(2), "x" * 90])
    stages = [{"kind": "decode", "medium": {"kind": "odd"}, "most_returned": "100 %"},
              *shop.chain()[1:]]  # fmt: skip
    said = said_by(shop, tmp_path, source, stages, deck)
    assert said.err.startswith("medium 'odd' (odd.py) failed in ")
    assert said.err.endswith(f"{method}: ValueError: no luck (odd.py:{line})")
    assert said.code == 3


@pytest.mark.parametrize(
    ("method", "wanted"),
    [("survey", "Survey"), ("encode", "bytes"), ("finish", "dict"), ("returned_name", "str")],
)
def test_what_a_medium_returns_is_looked_at(shop, tmp_path, method, wanted):
    source, line = broken(MEDIUM.replace("KEEPS", "False"), method)
    source = source.replace('raise ValueError("no luck")', "return 5")
    deck = shop.deck(tmp_path / "deck.txt", ["0000A00100{", shop.receipt(2)])
    stages = [{"kind": "decode", "medium": {"kind": "odd"}}, *shop.chain()[1:]]
    said = said_by(shop, tmp_path, source, stages, deck)
    assert f"{method}: TypeError: it returned int, not {wanted} (odd.py:{line - 1})" in said.err
    assert said.code == 3


@pytest.mark.parametrize(
    ("brings", "words"),
    [
        ("1 / 0", r"deckwright_stages failed: ZeroDivisionError: .* \(odd.py:\d+\)"),
        ("[Config]", "deckwright_stages brings .*Config.* without kind and config_model"),
        ("[Odd, None]", "deckwright_stages brings None without kind"),
    ],
)
def test_a_plugin_that_brings_nothing_usable_is_named(shop, tmp_path, brings, words):
    source = STAGE.replace("SHAPE", "TrayStage").replace("return [Odd, Source]", f"return {brings}")
    deck = shop.deck(tmp_path / "deck.txt", [shop.receipt(1)])
    said = said_by(shop, tmp_path, source, shop.chain({"kind": "odd"}), deck)
    assert re.search(f"plugin 'odd' of odd.py cannot be loaded: {words}", said.err)
    assert said.code == 3


def of_form(shop, folder, source):
    """Run a chain whose last output is of the odd form; return what the command line says."""
    if "complete(" in source and "no luck" not in source.partition("def complete")[2]:
        source = source.replace("def complete(", "def not_asked(")  # written as it goes
    deck = shop.deck(folder / "deck.txt", [shop.receipt(1), shop.receipt(2)])
    *chain, emit = shop.chain()
    output = [*emit["output"], {"file": "odd.x", "form": "odd"}]
    return said_by(shop, folder, source, [*chain, {"kind": "emit", "output": output}], deck)


@pytest.mark.parametrize("method", OF_FORM)
def test_a_form_that_fails_anywhere_is_named_in_one_sentence(shop, tmp_path, method):
    source, line = broken(FORM, method)
    said = of_form(shop, tmp_path, source)
    place = "failed on cards 1 to 2" if method == "body" else f"failed in {method}"
    assert said.err == (
        f"form 'odd' of stage 3 (odd.py) {place}: ValueError: no luck (odd.py:{line})"
    )
    assert said.code == 3


@pytest.mark.parametrize(
    ("method", "wanted"),
    [("head", "bytes"), ("body", "bytes or memoryview"), ("schema", "dict"), ("beside", "dict")],
)
def test_what_a_form_returns_is_looked_at(shop, tmp_path, method, wanted):
    source, line = broken(FORM, method)
    source = source.replace('raise ValueError("no luck")', 'return "no luck"')
    said = of_form(shop, tmp_path, source)
    assert f"TypeError: it returned str, not {wanted} (odd.py:{line - 1})" in said.err
    assert said.code == 3


def test_a_form_that_makes_no_file_is_named(shop, tmp_path):
    source, _ = broken(FORM, "complete")
    source = source.replace('raise ValueError("no luck")', 'return "no luck"')
    said = of_form(shop, tmp_path, source)
    assert said.err.startswith("stage 3 (emit) (deckwright ")
    assert said.err.endswith("failed in complete: its form 'odd' made no file 'odd.x'")
    assert said.code == 3
