"""The health page of a deck: one page of HTML that needs no other file and no script."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from deckwright.examine.model import DrawnCard, Examination, Guess, TypeFacts
from deckwright.examine.picture import ACROSS, columns_picture, fields_strip
from deckwright.examine.said import (
    CAUTION,
    basis,
    differing_said,
    grouped,
    headline,
    options_toml,
    picture_lines,
    verdict,
)
from deckwright.examine.sequencesaid import sequence_sentence
from deckwright.examine.strengths import MEANINGS
from deckwright.report.drawing import draw_card
from deckwright.report.figures import (
    CHECK,
    CROSS,
    EDGE,
    cell,
    count,
    equation,
    plain,
    record_rows,
    table,
)
from deckwright.report.style import STYLE
from deckwright.wording import plural

_MORE_STYLE = """
@media (prefers-color-scheme:dark){:root{--page:#fbfaf6;--ink:#211f1b;--soft:#6a6455;--rule:#d6cfbd;
--strong:#211f1b;--tint:#f1ecdf;--accent:#1c5054;--alarm:#8c1c13}}
html{color-scheme:light}
.bars{width:100%;height:auto;display:block;margin:2px 0}
.legend{display:flex;flex-wrap:wrap;gap:2px 18px;font-size:13px;margin:4px 0}
.legend svg{vertical-align:-1px}
.ask{border:4px double var(--alarm);padding:8px 16px;margin:14px 0}
.caution{border-left:4px solid var(--alarm);padding:2px 12px;margin:14px 0;font-size:14px}
.dots{white-space:nowrap;letter-spacing:.12em}
td.why{width:60%}td.what{width:23%}.name{white-space:nowrap}
td.why small{color:var(--soft);display:block}
.strip{width:100%;height:auto;display:block;margin:6px 0}
@media print{figure svg{max-width:150mm}.legend{font-size:8pt}}
"""
"""The page is dark on light even where screens are dark: it is made to be printed and passed on."""

_STRONG = {"holds": 4, "strong": 3, "likely": 2, "possible": 1}
_MOST_CANDIDATES = 6
_NONE = "\u2013"


def health_page(found: Examination) -> str:
    """Return the page; the same examination gives the same page, byte for byte."""
    parts = [_header(found), _verdict(found)]
    if found.counted:
        parts += [
            _caution(),
            _pictures(found),
            _counts(found),
            _columns(found),
            _types(found),
            _sequences(found),
        ]
        parts += [_drawn(found)]
    parts += [_reading(found)]
    if found.counted:
        parts += [_words()]
    title = plain(", ".join(deck.name for deck in found.decks))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        f"<title>Deck examined: {title}</title>\n<style>{STYLE}{_MORE_STYLE}</style></head>\n"
        f"<body>\n{''.join(parts)}</body>\n</html>\n"
    )


def _header(found: Examination) -> str:
    names = ", ".join(plain(deck.name) for deck in found.decks[:4])
    more = f" and {len(found.decks) - 4} more" if len(found.decks) > 4 else ""  # noqa: PLR2004
    size = sum(deck.bytes for deck in found.decks)
    return (
        f'<header><p class="kicker">Deck examined</p><h1>{names}{more}</h1>'
        f'<p class="soft">{count(size)} bytes. {plain(headline(found))}</p>{EDGE}</header>\n'
    )


def _verdict(found: Examination) -> str:
    sure = found.reading.sure
    ask = f'<p class="ask">{plain(found.reading.question)}.</p>' if found.reading.question else ""
    if not found.counted:
        return ask
    parts = [("", found.cards, "cards"), ("=", found.data_cards, "of data")]
    if found.pictures is not None:
        looked = found.pictures.looked_at
        parts = [("", found.cards, "cards in pictures"), ("", looked, "looked at")]
        parts += [("", found.data_cards, "of data, read without doubt")]
    apart = {odd.reason: odd.count for odd in found.odd if odd.reason in _SET_APART}
    names = {"blank": "blank", "banner": "banners", "separator": "separators"}
    names["control-card"] = "control cards"
    parts += [("+", apart.get(reason, 0), names[reason]) for reason in _SET_APART
              if apart.get(reason) or (reason == "blank" and found.pictures is None)]  # fmt: skip
    return (
        f'{ask}<section class="verdict{"" if sure else " bad"}"><div class="says">'
        f"{CHECK if sure else CROSS}<span>{plain(verdict(found))}</span></div>"
        f"{equation(parts)}</section>\n"
    )


_SET_APART = ("blank", "banner", "separator", "control-card")


def _caution() -> str:
    return f'<p class="caution">{CAUTION}</p>\n'


def _pictures(found: Examination) -> str:
    if found.pictures is None:
        return ""
    lines = picture_lines(found.pictures)
    rows = [f"<td class=name>{name}</td><td>{plain(said)}</td>" for name, said in lines]
    return f"<section><h2>Pictures</h2>{table(['What', 'As looked at'], rows)}</section>\n"


def _counts(found: Examination) -> str:
    rows = [
        f"<td class=name>{plain(deck.name)}</td>{cell(deck.cards)}{cell(deck.bytes)}"
        f'<td class="n">{count(deck.first_card)}</td>'
        for deck in found.decks
    ]
    body = ""
    if len(rows) > 1:
        body = table(["Deck", "Cards", "Bytes", "First card"], rows, numbers=(1, 2, 3))
    odd = [
        f'<td class="mono name">{plain(one.reason)}</td>{cell(one.count)}'
        f"<td>{plain(one.sentence)}</td>"
        f"<td>{', '.join(count(card) for card in one.cards)}"
        f"{', ...' if one.count > len(one.cards) else ''}</td>"
        for one in found.odd
    ]
    if odd:
        body += table(["Odd cards", "Cards", "What", "Card numbers"], odd, numbers=(1,))
    else:
        body += "<p>No card is blank, a banner, short, long or otherwise odd.</p>"
    lengths = ", ".join(
        f"{count(number)} of {length} columns" for length, number in list(found.lengths.items())[:8]
    )
    more = " and other lengths" if len(found.lengths) > 8 else ""  # noqa: PLR2004 # as listed
    return f"<section><h2>Cards</h2>{body}<p class=soft>Records: {lengths}{more}.</p></section>\n"


def _columns(found: Examination) -> str:
    if found.columns is None:
        return ""
    guesses = () if found.types.column else found.types.types[0].guesses
    below = "; the numbers below lead to the guessed fields" if guesses else ""
    return (
        "<section><h2>What stands in the columns</h2>"
        f"<p>Every one of {count(found.data_cards)} data cards is counted{below}.</p>"
        f"{columns_picture(found.columns, guesses)}</section>\n"
    )


def _types(found: Examination) -> str:
    types = found.types
    if not types.column:
        return (
            f"<section><h2>Guessed fields</h2>{_basis(found)}{_fields(types.types[0])}</section>\n"
        )
    rows = (
        f"<td>{plain(one.name)}</td><td class=mono>{plain(' '.join(map(repr, one.values)))}</td>"
        f"{cell(one.cards)}"
        for one in types.types
    )
    listed = table(["Card type", f"Column {types.columns}", "Cards"], rows, numbers=(2,))
    said = f"<p>{plain(types.sentence)} ({types.strength}).</p>"
    parts = [f"<section><h2>Card types</h2>{said}{listed}</section>\n"]
    parts += [
        f"<section><h2>Guessed fields of {plain(one.name)}, {count(one.cards)} cards</h2>"
        f"{_basis(found) if one is types.types[0] else ''}"
        f"{fields_strip(one.guesses, found.width) if found.width <= ACROSS else ''}"
        f"{_fields(one)}</section>\n"
        for one in types.types
    ]
    return "".join(parts)


def _basis(found: Examination) -> str:
    return f"<p class=soft>{plain(basis(found))}</p>"


def _fields(one: TypeFacts) -> str:
    if not one.guesses:
        return "<p>Too few cards to guess from.</p>"
    numbers = {guess.first: number for number, guess in enumerate(one.guesses, 1)}
    rows = (_field(numbers[guess.first], guess, fields) for guess, fields in grouped(one.guesses))
    return table(["", "Columns", "Guess", "Why"], rows, numbers=(0,))


def _field(number: int, guess: Guess, fields: int) -> str:
    dots = "\u25cf" * _STRONG[guess.strength] + "\u25cb" * (4 - _STRONG[guess.strength])
    reasons = "; ".join(guess.reasons)
    first = "Of the first: " if fields > 1 else ""
    each = plural(guess.width // fields, "column")
    side = f"<br><small class=soft>{fields} of {each}</small>" if fields > 1 else ""
    small = f"<small>{plain(reasons)}</small>" if reasons else ""
    return (
        f'<td class="n">{number}{_to(number, fields)}</td>'
        f'<td><span class="mono name">{guess.columns}</span>{side}</td>'
        f'<td class="what"><b>{plain(guess.what)}</b><br><span class="name"><span class="dots" '
        f'aria-hidden="true">{dots}</span> {guess.strength}</span></td>'
        f'<td class="why">{first}{plain(guess.sentence)}.{small}</td>'
    )


def _to(number: int, fields: int) -> str:
    return f"\u2013{number + fields - 1}" if fields > 1 else ""


def _sequences(found: Examination) -> str:
    if not found.sequences:
        said = "<p>No column runs on from card to card.</p>"
    else:
        said = "".join(
            f"<p>Columns {facts.first}\u2013{facts.last}: {plain(sequence_sentence(facts))}.</p>"
            for facts in found.sequences
        )
    return f"<section><h2>Order of the cards</h2>{said}</section>\n"


def _drawn(found: Examination) -> str:
    figures = "".join(_figures(found.drawn))
    return f"<section><h2>First, last and oddest cards</h2>{figures}</section>\n"


def _figures(cards: Sequence[DrawnCard]) -> Iterator[str]:
    for place, card in enumerate(cards, 1):
        name = f"Card {count(card.card)}: {card.why}"
        if card.patterns is None:
            picture = record_rows(card.text, card.marks)
        else:
            picture = draw_card(
                card.patterns, card.text, card.marks, title=name, ident=f"card{place}"
            )
        yield f"<figure><figcaption>{plain(name)}</figcaption>{picture}</figure>\n"


def _reading(found: Examination) -> str:
    reading = found.reading
    parts = ["<section><h2>Medium and code: the evidence</h2>"]
    if reading.media is not None:
        rows = (
            f"<td>{plain(one.name)}</td><td class=n>{one.score:.3f}</td>"
            f"<td class=why>{plain(one.sentence)}.<small><code>--medium "
            f"'{plain(options_toml(one.options))}'</code></small></td>"
            for one in reading.candidates[:_MOST_CANDIDATES]
        )
        caption = f"Ahead of the runner-up by {reading.media.margin:.3f}; a score is at most 1."
        heads = ["Medium and code", "Score", "Evidence, and how to choose it"]
        parts.append(table(heads, rows, caption=caption, numbers=(1,)))
    else:
        parts.append(f"<p>{found.unranked}</p>")
    parts.append(_codes(found))
    return "".join([*parts, "</section>\n"])


def _codes(found: Examination) -> str:
    reading = found.reading
    if reading.codes is None or not found.counted:
        return ""
    rows = (
        f"<td>{plain(one.name)}</td><td class=n>{one.score:.3f}</td>"
        f"<td>{plain(', '.join(one.same)) or _NONE}</td>"
        f"<td class=why>{plain(one.sentence)}.</td>"
        for one in reading.codes.candidates[:_MOST_CANDIDATES]
    )
    heads = ["Code", "Score", "Reads the same", "Evidence"]
    body = table(heads, rows, caption="Codes on this medium.", numbers=(1,))
    if not reading.runner_up:
        return body + "<p>No other code reads any cell of the cards looked at differently.</p>"
    listed = (
        f"<td class=mono>{plain(held)}</td><td class=mono>{plain(ours) or _NONE}</td>"
        f"<td class=mono>{plain(theirs) or _NONE}</td>{cell(number)}"
        for held, ours, theirs, number in reading.examples
    )
    name = found.code.name if found.code else ""
    heads = ["Punched", plain(name), plain(reading.runner_up), "Cells"]
    return f"{body}<p>{plain(differing_said(found))}</p>{table(heads, listed, numbers=(3,))}"


def _words() -> str:
    rows = (f"<td>{word}</td><td>{plain(meaning)}</td>" for word, meaning in MEANINGS.items())
    return (
        f"<section><h2>What the strengths mean</h2>{table(['Word', 'It holds'], rows)}</section>\n"
    )
