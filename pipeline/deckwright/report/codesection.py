"""The control sheet's section on the code: which one read the deck, and what the next would say."""

from __future__ import annotations

from deckwright.report.codereading import CodeReading
from deckwright.report.figures import cell, plain, table
from deckwright.wording import plural


def code_section(reading: CodeReading | None) -> str:
    """Return the section; nothing where no code was compared."""
    if reading is None:
        return ""
    says = "".join(f"<p>{text}</p>" for text in (_first(reading), _second(reading)) if text)
    return f"<section><h2>Code</h2>{_warning(reading)}{says}{_pairs(reading)}</section>\n"


def _warning(reading: CodeReading) -> str:
    if reading.sure or not reading.next:
        return ""
    code, other = plain(reading.code), plain(reading.next)
    if reading.worse:
        says = f"the code {other} reads these cards better than {code}, in which they were read"
    else:
        says = f"the cells say too little to choose between {code} and {other}"
    return (
        f"<p><b>Please look: {says}.</b> Compare some of the cells below with the cards or with "
        "printed tables; the job says the code.</p>"
    )


def _first(reading: CodeReading) -> str:
    which = "all" if reading.all_cards else "the first"
    parts = f" Several codes: {plain('; '.join(reading.parts))}." if reading.parts else ""
    alike = f" (as {plain(', '.join(reading.alike))} would)" if reading.alike else ""
    return (
        f"Read in <b>{plain(reading.code)}</b>{alike}: {plain(reading.sentence)}. Looked at: "
        f"{which} {plural(reading.looked_at, 'card')}.{parts}"
    )


def _second(reading: CodeReading) -> str:
    if not reading.next:
        return "No other code that comes near reads a cell of these cards differently."
    shown = f"{reading.score:.3f} and {reading.next_score:.3f} of 1, margin {reading.margin:+.3f}"
    return (
        f"Runner-up: <b>{plain(reading.next)}</b> ({shown}). It would read "
        f"{plural(reading.cells, 'cell')} on {plural(reading.cards, 'card')} differently:"
    )


def _pairs(reading: CodeReading) -> str:
    if not reading.next or not reading.pairs:
        return ""
    rows = (
        f'<td class="mono name">{plain(pair.punched)}</td><td class="mono">{_shown(pair.read)}</td>'
        f'<td class="mono">{_shown(pair.other)}</td>{cell(pair.cells)}'
        f"<td>{plain(pair.columns)}</td><td>{plain(', '.join(pair.cards))}</td>"
        for pair in reading.pairs
    )
    heads = ["Punched", "Read as", "Runner-up", "Cells", "Columns", "First cards"]
    left = reading.cells - sum(pair.cells for pair in reading.pairs)
    more = f'<p class="soft">{plural(left, "further cell")} not listed.</p>' if left else ""
    return table(heads, rows, numbers=(3,)) + more


def _shown(character: str) -> str:
    return plain(character) if character.strip() else ("blank" if character else "nothing")
