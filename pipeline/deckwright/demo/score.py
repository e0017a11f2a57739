"""How well a run found the seeded faults: found, missed, false alarms, and not looked for."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from deckwright.demo.truth import KINDS, NO_CARDS, DeckTruth, SeededFault, Truth

OTHER = "other"
"""Row of findings whose reason belongs to no seeded kind."""

_EVERY = "*"


@dataclass(frozen=True, slots=True)
class KindScore:
    """One kind of fault: how many were seeded, found and missed, and alarms on sound cards.

    looked_for is false where no stage of this version looks for the kind; nothing counts as
    missed then. why says the reason.
    """

    kind: str
    title: str
    seeded: int
    found: int
    false_alarms: int
    looked_for: bool = True
    why: str = ""

    @property
    def missed(self) -> int:
        """Faults that a stage looks for and did not find."""
        return self.seeded - self.found if self.looked_for else 0


@dataclass(frozen=True, slots=True)
class Score:
    """The score of one or more decks. missed: deck and fault, for each fault not found.

    alarms: deck, card (0 = a master record) and code, for each false alarm.
    """

    decks: int
    kinds: tuple[KindScore, ...]
    missed: tuple[tuple[str, SeededFault], ...]
    alarms: tuple[tuple[str, int, str], ...]

    @property
    def perfect(self) -> bool:
        """Return whether all that is looked for was found, without a false alarm."""
        return not self.missed and not self.alarms


@dataclass(frozen=True, slots=True)
class _DeckResult:
    found: tuple[SeededFault, ...]
    missed: tuple[SeededFault, ...]
    alarms: tuple[tuple[int, str], ...]


def score(
    truth: Truth,
    findings: Iterable[Mapping[str, object]],
    masters_without_cards: Mapping[str, Sequence[str]],
) -> Score:
    """Compare what runs found with the truth.

    A fault counts as found when each of its cards has a finding with a code that is expected to
    find it. A further finding on a card that carries a fault some stage looks for is neither a
    find nor a false alarm: one wrong column may break several rules. Any other finding is a false
    alarm, one for each card and code.

    Args:
        truth: the truth of the demo.
        findings: one mapping for each entry of a journal with `deck` (file name), `card`, `stage`
            (its kind) and `reason`.
        masters_without_cards: for each deck that was run, the stations that no card met. Decks
            that are not named here were not run and are left out.
    """
    codes: dict[str, dict[int, set[str]]] = {}
    for finding in findings:
        card = int(str(finding["card"]))
        code = f"{finding['stage']}/{finding['reason']}"
        codes.setdefault(str(finding["deck"]), {}).setdefault(card, set()).add(code)
    results = [
        (deck, _score_deck(deck, codes.get(deck.deck, {}), masters_without_cards[deck.deck]))
        for deck in truth.decks
        if deck.deck in masters_without_cards
    ]
    return Score(
        decks=len(results),
        kinds=_by_kind(results),
        missed=tuple((deck.deck, fault) for deck, result in results for fault in result.missed),
        alarms=tuple((deck.deck, *alarm) for deck, result in results for alarm in result.alarms),
    )


def render_score(result: Score) -> str:
    """Return the score as a plain-text table, 80 columns at most."""
    head = f"{'seeded fault':<{_TITLE}}{'seeded':>7}{'found':>7}{'missed':>7}{'false':>7}"
    looked = [line for kind in result.kinds if kind.looked_for for line in _rows(kind)]
    totals = [kind for kind in result.kinds if kind.looked_for]
    foot = (
        f"{'in all':<{_TITLE}}{sum(k.seeded for k in totals):>7}{sum(k.found for k in totals):>7}"
        f"{sum(k.missed for k in totals):>7}{sum(k.false_alarms for k in totals):>7}"
    )
    rest = [kind for kind in result.kinds if not kind.looked_for]
    lines = [
        f"decks scored: {result.decks}",
        "",
        head,
        "-" * len(head),
        *looked,
        "-" * len(head),
        foot,
    ]
    if rest:
        lines += ["", "not looked for by this version", "-" * len(head)]
        for kind in rest:
            *above, last = textwrap.wrap(kind.title, _TITLE - 2)
            lines += [*above, f"{last:<{_TITLE}}{kind.seeded:>7}"]
            lines += textwrap.wrap(kind.why, 76, initial_indent="    ", subsequent_indent="    ")
    return "\n".join(lines) + "\n"


def _rows(kind: KindScore) -> list[str]:
    """Return the lines of a kind: the figures stand in the last one of its title."""
    *above, last = textwrap.wrap(kind.title, _TITLE - 2)
    figures = f"{kind.seeded:>7}{kind.found:>7}{kind.missed:>7}{kind.false_alarms:>7}"
    return [*above, f"{last:<{_TITLE}}{figures}"]


_TITLE = 50


def _score_deck(
    deck: DeckTruth, codes: Mapping[int, set[str]], unmet: Sequence[str]
) -> _DeckResult:
    absent = set(unmet)
    found: list[SeededFault] = []
    missed: list[SeededFault] = []
    for fault in deck.faults:
        if fault.found_by is None:
            continue
        (found if _is_found(fault, codes, absent) else missed).append(fault)
    faulty = {card for fault in deck.faults if fault.found_by for card in fault.cards}
    alarms = [(card, code) for card in codes if card not in faulty for code in codes[card]]
    seeded = {fault.station for fault in deck.faults if fault.found_by == (NO_CARDS,)}
    alarms += [(0, NO_CARDS) for _ in absent - seeded]
    return _DeckResult(tuple(found), tuple(missed), tuple(sorted(alarms)))


def _is_found(fault: SeededFault, codes: Mapping[int, set[str]], absent: set[str]) -> bool:
    wanted = fault.found_by or ()
    if NO_CARDS in wanted:
        return fault.station in absent
    return all(any(_fits(code, wanted) for code in codes.get(card, ())) for card in fault.cards)


def _fits(code: str, wanted: Iterable[str]) -> bool:
    stage = code.partition("/")[0]
    return any(want in {code, f"{stage}/{_EVERY}"} for want in wanted)


def _by_kind(results: Sequence[tuple[DeckTruth, _DeckResult]]) -> tuple[KindScore, ...]:
    seeded = Counter(fault.kind for deck, _ in results for fault in deck.faults)
    found = Counter(fault.kind for _, result in results for fault in result.found)
    alarms = Counter(_kind_of(code) for _, result in results for _, code in result.alarms)
    rows = [
        KindScore(
            kind=name,
            title=kind.title,
            seeded=seeded[name],
            found=found[name],
            false_alarms=alarms[name],
            looked_for=kind.found_by is not None,
            why=kind.why,
        )
        for name, kind in KINDS.items()
    ]
    return (*rows, KindScore(OTHER, "other reasons", 0, 0, alarms[OTHER]))


def _kind_of(code: str) -> str:
    """Return the kind whose own code this is; `*` names none."""
    return next((name for name, kind in KINDS.items() if code in (kind.found_by or ())), OTHER)
