"""The control sheet: one page of HTML that accounts for every card of a run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from deckwright.report.codesection import code_section
from deckwright.report.drawing import COLUMNS, draw_card
from deckwright.report.drawing_page import MOST_SHOWN
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
from deckwright.report.model import (
    MERGE_OUTCOMES,
    SORT_PROOF,
    CardLine,
    ControlData,
    ReasonLine,
    StageLine,
)
from deckwright.report.style import STYLE
from deckwright.wording import plural

MOST_DRAWN = 12
"""Returned cards that the sheet draws."""

_NONE = "\u2013"


def control_sheet(control: ControlData) -> str:
    """Return the control sheet as one HTML page that needs no other file and no script.

    The same data give the same page, byte for byte.
    """
    first = [_header(control), _verdict(control), _decks(control), _account(control.stages)]
    first += [_returned(control), _outputs(control), _totals(control)]
    # a code that is in doubt is seen by whoever signs
    doubt = control.code is not None and not control.code.sure
    first += [code_section(control.code) if doubt else "", _SIGN_OFF]
    details = [
        "" if doubt else code_section(control.code),
        _stages(control.stages),
        _queries(control),
        _cards(control),
        _versions(control),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        f"<title>Control sheet: {plain(control.title)}</title>\n<style>{STYLE}</style></head>\n"
        f'<body>\n{"".join(first)}<div class="details">\n{"".join(details)}</div>\n'
        "</body>\n</html>\n"
    )


def _header(control: ControlData) -> str:
    decks = ", ".join(plain(deck.name) for deck in control.decks[:3])
    more = f" and {plural(len(control.decks) - 3, 'more deck')}" if len(control.decks) > 3 else ""  # noqa: PLR2004
    return (
        f'<header><p class="kicker">Control sheet</p><h1>{plain(control.title)}</h1>'
        f'<p class="soft">{decks}{more}</p>{EDGE}</header>\n'
    )


def _verdict(control: ControlData) -> str:
    stages = control.stages
    good = control.equation_holds and all(stage.balances for stage in stages)
    if good:
        says = "Every card is accounted for."
    else:
        says = "The counts do not add up. Do not release this run."
    arrived = stages[0].arrived if stages else 0
    left = stages[-1].left if stages else 0
    parts = [
        ("", arrived, "came in"),
        ("+", sum(stage.added for stage in stages), "added"),
        ("=" if good else "\u2260", left, "went on to delivery"),
        ("+", sum(stage.returned for stage in stages), "returned"),
        ("+", sum(stage.set_aside for stage in stages), "set aside"),
    ]
    return (
        f'<section class="verdict{"" if good else " bad"}"><div class="says">'
        f"{CHECK if good else CROSS}<span>{says}</span></div>{equation(parts)}"
        "</section>\n"
    )


def _decks(control: ControlData) -> str:
    rows = (
        f"<td class=name>{plain(deck.name)}</td>{cell(deck.cards)}{cell(deck.bytes)}"
        f"{_hash(deck.sha256)}"
        for deck in control.decks
    )
    heads = ["Deck", "Cards", "Bytes", "SHA-256"]
    return f"<section><h2>Decks read</h2>{table(heads, rows, numbers=(1, 2))}</section>\n"


def _hash(value: str) -> str:
    """Return a cell that breaks a digest in the middle where it must break."""
    half = max(len(value) // 2, 32)
    return f'<td class="mono hash">{plain(value[:half])}<wbr>{plain(value[half:])}</td>'


def _account(stages: Sequence[StageLine]) -> str:
    heads = ["", "Stage", "In", "+ added", "= out", "+ returned", "+ set aside", "Adds up"]
    rows = (
        f"<td>{stage.number}</td><td>{plain(stage.title or stage.kind)}{_kind(stage)}</td>"
        + "".join(map(cell, (stage.arrived, stage.added, stage.left)))
        + "".join(map(cell, (stage.returned, stage.set_aside)))
        + f'<td class="n">{"yes" if stage.balances else "<b>NO</b>"}</td>'
        for stage in stages
    )
    foot = ""
    if stages:
        sums = (
            stages[0].arrived,
            sum(stage.added for stage in stages),
            stages[-1].left,
            sum(stage.returned for stage in stages),
            sum(stage.set_aside for stage in stages),
        )
        holds = sums[0] + sums[1] == sums[2] + sums[3] + sums[4]
        verdict = "yes" if holds else "<b>NO</b>"
        foot = (
            f'<td></td><td>The whole run</td>{"".join(map(cell, sums))}<td class="n">{verdict}</td>'
        )
    body = table(heads, rows, foot=foot, numbers=range(2, 8))
    return f"<section><h2>Account, stage by stage</h2>{body}</section>\n"


def _kind(stage: StageLine) -> str:
    return f'<span class="kind">&ensp;{plain(stage.kind)}</span>' if stage.title else ""


def _returned(control: ControlData) -> str:
    returned = sum(stage.returned for stage in control.stages)
    fatal = [reason for reason in control.reasons if reason.severity == "fatal"]
    if not returned and not fatal:
        return "<section><h2>Returned cards</h2><p>No card was returned.</p></section>\n"
    caption = f"{plural(returned, 'card')} returned; a card may have more than one reason."
    return f"<section><h2>Why cards were returned</h2>{_reasons(fatal, caption)}</section>\n"


def _reasons(reasons: Sequence[ReasonLine], caption: str, *, weights: bool = False) -> str:
    heads = ["Stage", "Reason", "Field", *(["Weight"] if weights else []), "Times", "In words"]
    rows = (
        f'<td>{reason.stage}</td><td class="mono name">{plain(reason.reason)}</td>'
        f'<td class="mono name">{plain(reason.field) or _NONE}</td>'
        + (f"<td>{plain(reason.severity)}</td>" if weights else "")
        + f"{cell(reason.count)}<td>{plain(reason.sentence)}</td>"
        for reason in reasons
    )
    return table(heads, rows, caption=caption, numbers=(4 if weights else 3,))


def _outputs(control: ControlData) -> str:
    if not control.outputs:
        return "<section><h2>Deliveries</h2><p>Nothing was delivered.</p></section>\n"
    rows = (
        f"<td class=name>{plain(output.file)}</td><td>{plain(output.form)}</td>{cell(output.rows)}"
        f"{cell(output.bytes)}{_hash(output.sha256)}"
        for output in control.outputs
    )
    heads = ["File", "Form", "Rows", "Bytes", "SHA-256"]
    return f"<section><h2>Deliveries</h2>{table(heads, rows, numbers=(2, 3))}</section>\n"


def _totals(control: ControlData) -> str:
    if not control.totals:
        return ""
    rows = (
        f'<td>{plain(name)}</td><td class="n">{_value(value)}</td>'
        for name, value in control.totals
    )
    body = table(["Total", "Value"], rows, numbers=(1,))
    return f"<section><h2>Control totals</h2>{body}</section>\n"


_SIGN_OFF = (
    '<div class="sign-off"><div>Checked by (name)</div><div>Signature</div><div>Date</div></div>\n'
)


def _stages(stages: Sequence[StageLine]) -> str:
    body = "".join(
        f'<div class="stage"><b>{stage.number}</b><div><strong>{plain(stage.title or stage.kind)}'
        f"</strong>{_kind(stage)}{_proof(stage)}{_outcomes(stage)}{_facts(stage)}</div></div>\n"
        for stage in stages
    )
    return f"<section><h2>What each stage did</h2>{body}</section>\n"


def _proof(stage: StageLine) -> str:
    """Return the proof of a sort: as many cards, and the same digest, before as after."""
    if not all(name in stage.facts for name in SORT_PROOF):
        return ""
    before, after = (_digest(stage.facts[name]) for name in SORT_PROOF)
    held = before == after and stage.arrived + stage.added == stage.left
    says = "nothing was lost, doubled or changed" if held else "<b>BEFORE AND AFTER DIFFER</b>"
    return (
        f'<p class="proof">Before {plural(stage.arrived, "card")}, digest <code>{before}</code>; '
        f"after {plural(stage.left, 'card')}, digest <code>{after}</code>: {says}.</p>"
    )


def _digest(value: str | int) -> str:
    return f"{value:016x}" if isinstance(value, int) else plain(value)


def _outcomes(stage: StageLine) -> str:
    """Return the four outcomes of a merge."""
    facts = [stage.facts.get(name) for name in MERGE_OUTCOMES]
    numbers = [fact for fact in facts if isinstance(fact, int)]
    if len(numbers) < len(MERGE_OUTCOMES):
        return ""
    matched, without, masters, alone = numbers
    four = [
        (matched, "cards met a master"),
        (without, "cards met none"),
        (masters - alone, "masters met a card"),
        (alone, "masters met none"),
    ]
    tiles = "".join(
        f'<div><span class="big">{count(number)}</span><small>{words}</small></div>'
        for number, words in four
    )
    return f'<div class="four">{tiles}</div>'


def _facts(stage: StageLine) -> str:
    placed = _placed_facts(stage)
    shown: dict[str, str | int] = {}
    if not stage.facts:
        shown = {"in": stage.arrived, "out": stage.left}
        others = {"added": stage.added, "returned": stage.returned, "set aside": stage.set_aside}
        shown.update({name: number for name, number in others.items() if number})
    shown.update({name: value for name, value in stage.facts.items() if name not in placed})
    if stage.queries:
        shown["queries"] = stage.queries
    return _pairs(shown) if shown else ""


def _placed_facts(stage: StageLine) -> tuple[str, ...]:
    proof = SORT_PROOF if all(name in stage.facts for name in SORT_PROOF) else ()
    return proof + (MERGE_OUTCOMES if _outcomes(stage) else ())


def _pairs(pairs: Mapping[str, str | int]) -> str:
    body = "".join(
        f"<div><dt>{plain(name.replace('_', ' '))}</dt><dd>{_value(value)}</dd></div>"
        for name, value in pairs.items()
    )
    return f"<dl>{body}</dl>"


def _value(value: str | int) -> str:
    return count(value) if isinstance(value, int) else plain(value)


def _queries(control: ControlData) -> str:
    asked = [reason for reason in control.reasons if reason.severity != "fatal"]
    if not asked:
        return "<section><h2>Queries and notes</h2><p>None.</p></section>\n"
    caption = "These cards went on; somebody should look at them."
    return (
        f"<section><h2>Queries and notes</h2>{_reasons(asked, caption, weights=True)}</section>\n"
    )


def _cards(control: ControlData) -> str:
    if not control.returned_cards:
        return ""
    returned = max(sum(stage.returned for stage in control.stages), len(control.returned_cards))
    shown = control.returned_cards[:MOST_DRAWN]
    words = "All" if returned == len(shown) else f"The first {len(shown)} of"
    figures = "".join(_figures(shown))
    link = ""
    if control.returned_page:
        page = plain(control.returned_page)
        which = "All of them" if returned <= MOST_SHOWN else f"The first {MOST_SHOWN}"
        link = f' {which}, small, are in <a href="{page}">{page}</a>, beside this page.'
    return (
        f"<section><h2>Returned cards</h2><p>{words} {plural(returned, 'returned card')}, in the "
        f"order of their numbers. Hatched columns are at fault; their numbers lead to the reasons "
        f"below each card.{link}</p>{figures}</section>\n"
    )


def _figures(cards: Sequence[CardLine]) -> Iterator[str]:
    for place, line in enumerate(cards, 1):
        name = line.full_name
        if line.patterns is not None and len(line.text) <= COLUMNS:
            picture = draw_card(
                line.patterns,
                line.text,
                line.marks,
                title=name,
                ident=f"card{place}",
                fields=line.fields,
                notes=line.notes,
                asked=line.asked,
            )
        else:
            picture = record_rows(line.text, line.marks)
        yield f"<figure><figcaption>{plain(name)}</figcaption>{picture}</figure>\n"


def _versions(control: ControlData) -> str:
    if not control.versions:
        return ""
    rows = (f"<td>{plain(name)}</td>{_hash(value)}" for name, value in control.versions.items())
    body = table(["What", "Version or digest"], rows)
    return f"<section><h2>Configuration and versions</h2>{body}</section>\n"
