"""Codes: what the bytes of a medium and the holes of a column stand for.

Every code maps onto an alphabet of 256 internal bytes in which ASCII characters keep their ASCII
number, so that digits, letters and blanks are tested alike whatever the medium's code.

Packaged hole codes, each row with its source in `data/NAME.csv`: ebcdic (8-bit card code with the
characters of code page 037), iso6586 (8-bit card code by ISO 6586:1980, read as Latin-1),
ascii-card (ANSI X3.26), commercial-48, commercial-64, scientific-48, scientific-64. Every
single-byte codec of Python is a character code; an EBCDIC page carries the holes of the 8-bit card
code by byte, any other page the holes of ascii-card by character.
"""

from __future__ import annotations

import codecs
import encodings
import os
import pkgutil
import string
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from deckwright.cards.codefiles import Cell, CodeFile, clashes, parse_code_file, read_code_file
from deckwright.cards.codetable import (
    ASCII_SIZE,
    SIZE,
    Alphabet,
    CodeTable,
    UnfitCodeError,
    alphabet_of,
    fixed,
    slots_of,
    table_of,
)
from deckwright.cards.holes import PATTERNS
from deckwright.cards.prepared import inverse, prepared_code, prepared_names
from deckwright.errors import ConfigError, DeckwrightError, Fault
from deckwright.wording import unknown_code

_PACKAGED = "deckwright.cards"
_SUFFIXES = (".toml", ".csv")


class UnknownCodeError(DeckwrightError, LookupError):
    """There is no code of this name."""

    exit_code = 2

    def __init__(self, name: str, sentence: str) -> None:
        self.name = name
        super().__init__(sentence)


def load_code(name: str, folders: Sequence[Path] = ()) -> CodeTable:
    """Return a code: packaged, from NAME.toml or NAME.csv in the folders, or a Python codec.

    Raises:
        UnknownCodeError: there is no code of this name.
        UnfitCodeError: the codec takes more than one byte a character.
        ConfigError: a file is wrong; names every fault with file and line.
    """
    own = own_files(folders, name)
    rivals = ["the program", *own] if name in _packaged_names() else own
    if own and len(rivals) > 1:
        what = f"brings the code {name!r}, which {rivals[0]} brings too; rename this file"
        raise ConfigError([Fault(str(own[-1]), 0, what)])
    if own:
        return _from_file(name, read_code_file(own[0]), str(own[0]))
    return _prepared(name) or _from_codec(name, tuple(folders))


def code_names(folders: Sequence[Path] = ()) -> list[str]:
    """Return the names of all codes: packaged, in the folders, Python's single-byte codecs."""
    return sorted({*(path.stem for path in own_files(folders)), *prepared_names()})


def made_anew() -> Iterator[CodeTable]:
    """Yield all codes but one's own, made from their sources: packaged ones, Python's codecs."""
    for name in _packaged_names():
        yield _packaged(name)
    for module in pkgutil.iter_modules(encodings.__path__):
        try:
            yield _codec(module.name)
        except (LookupError, ValueError):
            continue


def own_files(folders: Sequence[Path], name: str | None = None) -> list[Path]:
    """Return the code files in these folders; all, or those of one name."""
    wanted = None if name is None else {f"{name}{suffix}" for suffix in _SUFFIXES}
    paths = {
        folder / file
        for folder in folders
        if folder.is_dir()
        for file in os.listdir(folder)  # noqa: PTH208 # a path for each file takes long
        if wanted is None or file in wanted
    }
    return sorted(path for path in paths if path.suffix in _SUFFIXES and path.is_file())


@lru_cache(maxsize=1)
def _packaged_names() -> tuple[str, ...]:
    data = files(_PACKAGED).joinpath("data").iterdir()
    return tuple(sorted(entry.name.removesuffix(".csv") for entry in data if entry.is_file()))


@lru_cache(maxsize=256)
def _prepared(name: str) -> CodeTable | None:
    kept = prepared_code(name)
    if kept is None:
        return None
    code = CodeTable(name, kept.title, kept.source, Alphabet(kept.characters))
    if kept.from_raw is not None:
        from_raw = fixed(kept.from_raw.astype(np.uint8))
        code = replace(code, from_raw=from_raw, to_raw=fixed(inverse(kept.from_raw, SIZE)))
    if kept.to_holes is not None:
        to_holes = fixed(kept.to_holes.astype(np.int16))  # none, 0xFFFF, becomes -1
        from_holes = fixed(inverse(kept.to_holes, PATTERNS))
        code = replace(code, to_holes=to_holes, from_holes=from_holes)
    return code


@lru_cache(maxsize=16)
def _packaged(name: str) -> CodeTable:
    text = files(_PACKAGED).joinpath("data", f"{name}.csv").read_text("utf-8")
    return _from_file(name, parse_code_file(text, f"{name}.csv"), f"{name}.csv")


def _from_file(name: str, table: CodeFile, file: str) -> CodeTable:
    cells = _over_base(table, file) if table.base else table.cells
    try:
        slots = slots_of(cell.character for cell in cells)
    except ValueError as error:
        raise ConfigError([Fault(file, 0, str(error))]) from error
    alphabet = alphabet_of(slots)
    to_holes = table_of(SIZE, {slots[cell.character]: cell.pattern for cell in cells})
    from_holes = table_of(PATTERNS, {cell.pattern: slots[cell.character] for cell in cells})
    code = CodeTable(
        name=name,
        title=table.title or name,
        source=table.source or file,
        alphabet=alphabet,
        from_holes=from_holes,
        to_holes=to_holes,
    )
    named = {cell.byte: slots[cell.character] for cell in cells if cell.byte is not None}
    return _with_bytes(code, named) if named else code


def _over_base(table: CodeFile, file: str) -> list[Cell]:
    """Return the cells of the base with those of the table put over them."""
    if table.base not in _packaged_names():
        near = ", ".join(_packaged_names())
        what = f"the base {table.base!r} is not a packaged code; there are: {near}"
        raise ConfigError([Fault(file, 0, what)])
    text = files(_PACKAGED).joinpath("data", f"{table.base}.csv").read_text("utf-8")
    base = parse_code_file(text, f"{table.base}.csv").cells
    bytes_there = {cell.pattern: cell.byte for cell in base}
    new = [
        replace(cell, byte=bytes_there.get(cell.pattern)) if cell.byte is None else cell
        for cell in table.cells
    ]
    characters, patterns = {cell.character for cell in new}, {cell.pattern for cell in new}
    kept = [c for c in base if c.character not in characters and c.pattern not in patterns]
    cells = kept + new
    if faults := clashes(cells) + _lacking_bytes(cells):
        raise ConfigError(faults)
    return cells


def _lacking_bytes(cells: list[Cell]) -> list[Fault]:
    """Return a fault for each cell without a byte where others have one."""
    if all(cell.byte is None for cell in cells):
        return []
    what = "the base has no byte for these holes; give one under [bytes]"
    return [Fault(cell.file, cell.line, what) for cell in cells if cell.byte is None]


def _from_codec(name: str, folders: tuple[Path, ...]) -> CodeTable:
    try:
        codecs.lookup(name)
    except (LookupError, ValueError) as error:
        raise UnknownCodeError(name, _unknown(name, tuple(code_names(folders)))) from error
    return _codec(name)


@lru_cache(maxsize=64)
def _unknown(name: str, names: tuple[str, ...]) -> str:
    """Return the sentence; kept, since each run tries codes that this Python may lack."""
    return unknown_code(name, names)


@lru_cache(maxsize=128)
def _codec(name: str) -> CodeTable:
    characters = _single_bytes(name)
    slots = slots_of(character for character in characters if character is not None)
    title = f"Python codec {codecs.lookup(name).name}"
    code = CodeTable(name, title, "Python codec", alphabet_of(slots))
    code = _with_bytes(code, {b: slots[c] for b, c in enumerate(characters) if c is not None})
    if code.from_raw is None:
        return code
    card = _packaged("ebcdic" if _is_ebcdic(characters) else "ascii-card")
    if card.to_raw is None or card.from_holes is None:
        return code
    if card.name == "ebcdic":
        byte_of = {p: int(card.to_raw[s]) for p, s in enumerate(card.from_holes) if s >= 0}
        slot_of = {pattern: int(code.from_raw[byte]) for pattern, byte in byte_of.items()}
        title = f"{code.title}, EBCDIC page with the holes of the 8-bit card code"
    else:
        slot_of = {p: int(s) for p, s in enumerate(card.from_holes) if s >= 0 and chr(s) in slots}
        title = f"{code.title}, with the holes of the ASCII card code"
    return replace(
        code,
        title=title,
        from_holes=table_of(PATTERNS, slot_of),
        to_holes=table_of(SIZE, {slot: pattern for pattern, slot in slot_of.items()}),
    )


def _single_bytes(name: str) -> list[str | None]:
    """Return the character of each byte under a Python codec, None where it has none.

    A character that several bytes share belongs to the lowest of them; the others have none, since
    such a byte could not be written back.
    """
    info = codecs.lookup(name)
    decoder = getattr(info, "incrementaldecoder", None)
    if decoder is None or not getattr(info, "_is_text_encoding", True):
        raise UnfitCodeError(name, "is not a code of characters")
    characters: list[str | None] = []
    for byte in range(SIZE):
        try:
            text = decoder("strict").decode(bytes([byte]))
        except UnicodeError:
            characters.append(None)
            continue
        if len(text) != 1:
            what = "takes more than one byte for a character, so columns and bytes differ"
            raise UnfitCodeError(name, what, "turn the deck into a single-byte code first")
        characters.append(None if text in characters else text)
    if not set(string.digits) <= set(characters):
        raise UnfitCodeError(name, "has no digits, so no card can be read with it")
    return characters


def _is_ebcdic(characters: Sequence[str | None]) -> bool:
    """Return whether digits and capitals sit where all EBCDIC pages have them (X'C1', X'F0')."""
    return characters[0xC1] == "A" and characters[0xF0:0xFA] == list(string.digits)


def _with_bytes(code: CodeTable, slot_of: Mapping[int, int]) -> CodeTable:
    """Return the code with its bytes; a byte without a character gets a slot without one."""
    slots = dict(slot_of)
    free = set(range(SIZE)) - set(slots.values())
    rest = [byte for byte in range(SIZE) if byte not in slots]
    slots.update({byte: byte for byte in rest if byte in free})
    free -= set(slots.values())
    # slots above ASCII first: an ASCII slot should not hold what is not ASCII
    left = sorted(free, key=lambda slot: (slot < ASCII_SIZE, slot))
    slots.update(zip((byte for byte in rest if byte not in slots), left, strict=True))
    from_raw = np.array([slots[byte] for byte in range(SIZE)], np.uint8)
    to_raw = table_of(SIZE, {slot: byte for byte, slot in slots.items()})
    return replace(code, from_raw=fixed(from_raw), to_raw=to_raw)
