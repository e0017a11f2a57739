"""Codes: published tables, codecs, and code files of a user's own."""

from __future__ import annotations

import encodings
import pickle
import pkgutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.codes import UnknownCodeError, code_names, load_code
from deckwright.cards.codetable import ASCII_LATIN, CodeTable, UnfitCodeError, translation
from deckwright.cards.holes import PATTERNS, fits_eight_bit_rule, format_pattern, parse_pattern

ALL = np.arange(PATTERNS, dtype=np.uint16)

HOLE_CODES = (
    "ebcdic", "iso6586", "ascii-card",
    "commercial-48", "commercial-64", "scientific-48", "scientific-64",
)  # fmt: skip

# every single-byte codec of Python 3.11 to 3.13; those that a platform lacks are not listed
SINGLE_BYTE = """
    ascii charmap cp037 cp1006 cp1026 cp1125 cp1140 cp1250 cp1251 cp1252 cp1253 cp1254 cp1255 cp1256
    cp1257 cp1258 cp273 cp424 cp437 cp500 cp720 cp737 cp775 cp850 cp852 cp855 cp856 cp857 cp858
    cp860 cp861 cp862 cp863 cp864 cp865 cp866 cp869 cp874 cp875 hp_roman8 iso8859_1 iso8859_10
    iso8859_11 iso8859_13 iso8859_14 iso8859_15 iso8859_16 iso8859_2 iso8859_3 iso8859_4 iso8859_5
    iso8859_6 iso8859_7 iso8859_8 iso8859_9 koi8_r koi8_t koi8_u kz1048 latin_1 mac_arabic
    mac_croatian mac_cyrillic mac_farsi mac_greek mac_iceland mac_latin2 mac_roman mac_romanian
    mac_turkish palmos ptcp154 tis_620
""".split()  # noqa: SIM905 # a list of 74 lines says no more

EBCDIC_PAGES = ["cp037", "cp1026", "cp1140", "cp273", "cp424", "cp500", "cp875"]

SEVERAL_BYTES = """
    big5 big5hkscs cp932 cp949 cp950 euc_jis_2004 euc_jisx0213 euc_jp euc_kr gb18030 gb2312 gbk hz
    idna iso2022_jp iso2022_jp_1 iso2022_jp_2 iso2022_jp_2004 iso2022_jp_3 iso2022_jp_ext iso2022_kr
    johab punycode raw_unicode_escape shift_jis shift_jis_2004 shift_jisx0213 unicode_escape utf_16
    utf_16_be utf_16_le utf_32 utf_32_be utf_32_le utf_7 utf_8 utf_8_sig
""".split()  # noqa: SIM905 # a list of 74 lines says no more

NO_CHARACTERS = ["base64", "bz2", "hex", "quopri", "rot_13", "undefined", "uu", "zlib"]

# codecs that give several bytes one character, with the bytes that are then without one
SHARED = {"cp875": 6, "cp1006": 1}

every_code = pytest.mark.parametrize("name", [*HOLE_CODES, *SINGLE_BYTE])


def character(code: CodeTable, holes: str) -> str | None:
    """Return the character of a pattern, None where it has none."""
    assert code.from_holes is not None
    slot = int(code.from_holes[parse_pattern(holes)])
    return None if slot < 0 else code.alphabet.characters[slot]


@every_code
def test_ascii_characters_sit_at_their_number_and_others_above(name: str) -> None:
    for slot, char in enumerate(load_code(name).alphabet.characters):
        if char is not None:
            assert slot == ord(char) if ord(char) < 128 else slot >= 128


@every_code
def test_latin_1_characters_sit_at_their_number(name: str) -> None:
    for slot, char in enumerate(load_code(name).alphabet.characters):
        assert char is None or ord(char) > 255 or slot == ord(char)


@every_code
def test_no_character_stands_in_two_slots(name: str) -> None:
    characters = [char for char in load_code(name).alphabet.characters if char is not None]
    assert len(characters) == len(set(characters))


@every_code
def test_bytes_and_internal_bytes_are_one_to_one(name: str) -> None:
    code = load_code(name)
    if code.from_raw is None or code.to_raw is None:
        assert (code.from_raw, code.to_raw) == (None, None)
        return
    assert sorted(code.from_raw.tolist()) == list(range(256))
    assert (code.to_raw[code.from_raw] == np.arange(256)).all()


@every_code
def test_holes_and_internal_bytes_are_one_to_one(name: str) -> None:
    code = load_code(name)
    assert code.from_holes is not None
    assert code.to_holes is not None
    legal = np.flatnonzero(code.from_holes >= 0)
    assert (code.to_holes[code.from_holes[legal]] == legal).all()
    assert (code.to_holes >= 0).sum() == len(legal)


@every_code
def test_tables_cannot_be_written_to_and_survive_pickling(name: str) -> None:
    code = load_code(name)
    assert code.from_holes is not None
    with pytest.raises(ValueError, match="read-only"):
        code.from_holes[0] = 1
    copy = pickle.loads(pickle.dumps(code))  # noqa: S301 # our own bytes
    assert copy.alphabet.characters == code.alphabet.characters
    assert (copy.from_holes == code.from_holes).all()


@pytest.mark.parametrize("name", SINGLE_BYTE)
def test_a_codec_reads_every_byte_as_python_does(name: str) -> None:
    code = load_code(name)
    assert code.from_raw is not None
    without = 0
    for byte in range(256):
        char = code.alphabet.characters[code.from_raw[byte]]
        expected = bytes([byte]).decode(name, "replace")
        if char is None and expected != "\ufffd":
            without += 1
        else:
            assert char == (None if expected == "\ufffd" else expected)
    if not name.startswith("mac_"):  # mac_arabic and mac_farsi share ASCII's signs
        assert without == SHARED.get(name, 0)


def test_every_codec_of_python_is_accounted_for() -> None:
    known = {*SINGLE_BYTE, *SEVERAL_BYTES, *NO_CHARACTERS}
    beyond = {"aliases", "mbcs", "oem"}  # no codec; codecs of one platform
    for module in pkgutil.iter_modules(encodings.__path__):
        assert module.name.removesuffix("_codec") in known | beyond or module.name.startswith("_")
    assert set(SINGLE_BYTE) <= set(code_names())
    assert not set(SEVERAL_BYTES) & set(code_names())


@pytest.mark.parametrize("name", [*SEVERAL_BYTES, "utf-8", "UTF-16"])
def test_a_codec_of_several_bytes_is_refused_and_says_why(name: str) -> None:
    with pytest.raises(UnfitCodeError, match="takes more than one byte for a character"):
        load_code(name)


@pytest.mark.parametrize("name", NO_CHARACTERS)
def test_a_codec_that_is_no_character_code_is_refused(name: str) -> None:
    with pytest.raises(UnfitCodeError, match=f"code '{name}' (is not a code|has no digits)"):
        load_code(name)


@pytest.mark.parametrize("name", ["ebcdik", "nope", "", "a\0b", "../ebcdic"])
def test_an_unknown_code_is_refused_with_near_names(name: str) -> None:
    with pytest.raises(UnknownCodeError) as caught:
        load_code(name)
    assert ("'ebcdic'" in str(caught.value)) == ("ebcdi" in name)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("name", ["ebcdic", "iso6586", *EBCDIC_PAGES])
def test_the_256_patterns_of_an_eight_bit_code_are_those_of_the_iso_rule(name: str) -> None:
    # ISO 6586:1980 (excerpt): any of 12 11 0 8 9 and at most one of 1 to 7
    code = load_code(name)
    assert code.from_holes is not None
    assert (code.from_holes >= 0).sum() == 256
    assert ((code.from_holes >= 0) == fits_eight_bit_rule(ALL)).all()


def single_hole_changes(name: str) -> tuple[int, int, int, int]:
    """Count lost holes, those that give another legal pattern, and the same for added holes."""
    code = load_code(name)
    assert code.from_holes is not None
    legal = code.from_holes >= 0
    changed = np.flatnonzero(legal)[:, None] ^ (1 << np.arange(12))
    lost = changed < np.flatnonzero(legal)[:, None]
    fits = legal[changed]
    return int(lost.sum()), int((fits & lost).sum()), int((~lost).sum()), int((fits & ~lost).sum())


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        # computed from the tables; in the 8-bit code an added hole escapes in 39 % of cases
        ("ebcdic", (864, 864, 2208, 864)),
        ("iso6586", (864, 864, 2208, 864)),
        # for 48 characters: 88 of 88, and 18 %
        ("commercial-48", (88, 88, 488, 88)),
        ("scientific-48", (88, 88, 488, 88)),
    ],
)
def test_a_lost_hole_always_gives_another_character(
    name: str,
    expected: tuple[int, int, int, int],
) -> None:
    assert single_hole_changes(name) == expected


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        # ANSI X3.26 (second hand) against Python's codecs, computed
        ("cp037", {"12-8-7": "!|", "12-8-2": "[¢", "11-8-2": "]!", "11-8-7": "^¬", "12-11": "|¦"}),
        ("cp500", {"12-11": "|¦"}),
    ],
)
def test_the_ascii_card_code_and_ebcdic_pages_differ_in_few_patterns(
    name: str,
    expected: dict[str, str],
) -> None:
    card, page = load_code("ascii-card"), load_code(name)
    assert card.from_holes is not None
    found = {}
    for pattern in np.flatnonzero(card.from_holes >= 0):
        holes = format_pattern(int(pattern))
        both = f"{character(card, holes)}{character(page, holes)}"
        if both[0] != both[1]:
            found[holes] = both
    assert found == expected


@pytest.mark.parametrize("name", [*HOLE_CODES, *EBCDIC_PAGES, "ascii", "latin-1", "cp1252"])
def test_blank_digits_and_letters_are_punched_alike_in_every_code(name: str) -> None:
    # ANSI X3.26 (second hand): blank, digits and letters near-uniform
    code = load_code(name)
    assert character(code, "") == " "
    assert [character(code, str(digit)) for digit in range(10)] == list("0123456789")
    assert [character(code, f"12-{digit}") for digit in range(1, 10)] == list("ABCDEFGHI")
    assert [character(code, f"11-{digit}") for digit in range(1, 10)] == list("JKLMNOPQR")
    assert [character(code, f"0-{digit}") for digit in range(2, 10)] == list("STUVWXYZ")


@pytest.mark.parametrize(
    ("byte", "holes", "source"),
    [
        (0x00, "12-0-9-8-1", "mailing-list posting"),
        (0x02, "12-9-2", "mailing-list posting"),
        (0xC1, "12-1", "mailing-list posting; letter A, common practice"),
        (0xFF, "12-11-0-9-8-7", "mailing-list posting"),
        (0x4E, "12-8-6", "statistics-package manual, column binary 200A reads as plus"),
        (0xC0, "12-0", "ISO 6586:1980 table 2 fragment; FORTRAN manual table H-2"),
        (0xD0, "11-0", "ISO 6586:1980 table 2 fragment; FORTRAN manual table H-2"),
        (0x40, "", "ISO 6586:1980 table 2 fragment; FORTRAN manual table H-2"),
    ],
)
@pytest.mark.parametrize("name", ["ebcdic", *EBCDIC_PAGES])
def test_ebcdic_bytes_have_the_holes_of_the_card_code(
    name: str,
    byte: int,
    holes: str,
    source: str,
) -> None:
    code = load_code(name)
    assert code.from_raw is not None
    assert code.to_holes is not None
    assert code.to_holes[code.from_raw[byte]] == parse_pattern(holes), source


def test_the_packaged_ebcdic_table_has_the_characters_of_its_code_page() -> None:
    table, page = load_code("ebcdic"), load_code("cp037")
    assert table.alphabet.characters == page.alphabet.characters
    assert table.from_raw is not None
    assert (table.from_raw == page.from_raw).all()
    assert (table.from_holes == page.from_holes).all()


@pytest.mark.parametrize(
    ("names", "holes", "graphics"),
    [
        # transcription of a code-plate list and six-bit tables of an encoding library
        ("48 64", "8-3", "#="),
        ("48 64", "8-4", "@'"),
        ("48 64", "0-8-4", "%("),
        ("48 64", "12", "&+"),
        ("48 64", "12-8-4", "⌑)"),
        ("48 64", "12-8-3", ".."),
        ("64", "12-0", "??"),
        ("64", "11-0", "!!"),
    ],
)
def test_commercial_and_scientific_sets_differ_in_five_graphics(
    names: str,
    holes: str,
    graphics: str,
) -> None:
    for size in names.split():
        sets = load_code(f"commercial-{size}"), load_code(f"scientific-{size}")
        assert "".join(character(code, holes) or "" for code in sets) == graphics


@pytest.mark.parametrize("size", [48, 64])
def test_character_sets_have_their_number_of_characters(size: int) -> None:
    sets = [load_code(f"{kind}-{size}") for kind in ("commercial", "scientific")]
    assert [int(code.alphabet.defined.sum()) for code in sets] == [size, size]
    names = [format_pattern(int(pattern)) for pattern in ALL]
    differing = [name for name in names if len({character(code, name) for code in sets}) == 2]
    assert sorted(differing) == ["0-8-4", "12", "12-8-4", "8-3", "8-4"]


def test_a_byte_without_a_character_keeps_its_number_where_that_is_free() -> None:
    code = load_code("ascii")
    assert code.from_raw is not None
    assert code.from_raw.tolist() == list(range(256))
    assert not code.alphabet.defined[128:].any()


@pytest.mark.parametrize("name", ["latin-1", "cp1252", "koi8_r"])
def test_other_codes_carry_the_holes_of_the_ascii_card_code_by_character(name: str) -> None:
    code, card = load_code(name), load_code("ascii-card")
    assert (code.from_holes == card.from_holes).all()


def test_an_ascii_character_that_a_code_lacks_has_no_holes_there() -> None:
    code = load_code("cp864")  # has an Arabic sign in the place of "%"
    assert character(code, "0-8-4") is None
    assert character(load_code("ascii"), "0-8-4") == "%"
    assert not code.alphabet.defined[ord("%")]


def test_every_packaged_row_names_its_source() -> None:
    data = Path(load_code.__code__.co_filename).parent / "data"
    for path in data.glob("*.csv"):
        for line in path.read_text("utf-8").splitlines()[3:]:
            assert "published" in line or "derived" in line or "memory" in line


@given(st.text(st.characters(codec="latin-1")))
def test_latin_text_goes_through_the_identity_alphabet(text: str) -> None:
    data = ASCII_LATIN.encode(text)
    assert data == text.encode("latin-1")
    assert ASCII_LATIN.decode(data) == text


@given(st.sampled_from([*HOLE_CODES, "cp1252", "cp875", "cp864"]), st.binary())
def test_decoding_shows_what_is_undefined(name: str, data: bytes) -> None:
    alphabet = load_code(name).alphabet
    expected = "".join(alphabet.characters[byte] or "\ufffd" for byte in data)
    assert alphabet.decode(data) == expected
    if "\ufffd" not in expected:
        assert alphabet.encode(expected) == data


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("ascii", "é"),
        ("commercial-48", "a"),
        ("cp037", "€"),
        ("cp875", "\ufffd"),
        ("ascii", "\ufffe"),
    ],
)
def test_a_character_that_the_code_lacks_is_named(name: str, text: str) -> None:
    with pytest.raises(ValueError, match=f"U\\+{ord(text):04X}"):
        load_code(name).alphabet.encode(f"A{text}B")


@given(st.sampled_from(HOLE_CODES), st.sampled_from(HOLE_CODES))
def test_translation_keeps_characters_and_marks_what_is_lacking(first: str, second: str) -> None:
    source, target = load_code(first).alphabet, load_code(second).alphabet
    for slot, other in enumerate(translation(source, target)):
        char = source.characters[slot]
        if other >= 0:
            assert target.characters[other] == char is not None
        else:
            assert char is None or char not in target.characters
