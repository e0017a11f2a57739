"""How counts, shares and near matches are worded, everywhere alike."""

from __future__ import annotations

from collections.abc import Iterable


def plural(number: int, one: str, many: str = "") -> str:
    """Return `1 card` or `6,012 cards`; `many` where the plural is not `one` with an s."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def percent(share: float) -> str:
    """Return a share from 0 to 1 as `83 %`: the one form of percentages in all that is shown.

    Whole percents; a tenth below 1 % and above 99 %. `100 %` stands only where it is all, `0 %`
    only where it is none; nearer to either than a tenth is `<0.1 %` and `>99.9 %`. Figures of 3
    cards or of 3 million read alike; whoever needs more gives the counts beside.
    """
    value = 100 * share
    if value in {0, 100}:
        return f"{value:.0f} %"
    if value < 0.1:  # noqa: PLR2004 # percent
        return "<0.1 %"
    if value > 99.9:  # noqa: PLR2004 # percent
        return ">99.9 %"
    tenths = value < 1 or value > 99  # noqa: PLR2004 # percent
    return f"{f'{value:.1f}'.removesuffix('.0') if tenths else f'{value:.0f}'} %"


def nearest(name: str, names: Iterable[str], *, all_of_them: str = "") -> str:
    """Return `did you mean 'sort'?`, or what there is where nothing comes near.

    Args:
        name: what was written.
        names: what might have been meant.
        all_of_them: where all names are to be seen, said in place of a list of them.
    """
    import difflib  # noqa: PLC0415 # only for a mistake

    known = list(dict.fromkeys(names))
    lower = {each.lower(): each for each in known}
    near = [lower[each] for each in difflib.get_close_matches(name.lower(), lower, n=2)]
    if near:
        return f"did you mean {' or '.join(map(repr, near))}?"
    if all_of_them:
        return f"see {all_of_them}"
    return f"there are: {', '.join(known)}" if known else "there are none"


def unknown_code(name: str, names: Iterable[str]) -> str:
    """Return the sentence for a code that is not there, with near matches among those there are."""
    every = "deckwright guide codes"
    said = nearest(name, names, all_of_them=every)
    return f"unknown code {name!r}; {said}" + (f" All codes: {every}" if said.endswith("?") else "")


def found_value(value: object) -> str:
    """Return a value of a card before or after a change, as people read it.

    The journal fills columns that a card had not yet, or has no more, with zero bytes.
    """
    if isinstance(value, str) and value.endswith("\0"):
        return repr(value.rstrip("\0")) if value.strip("\0") else "no such columns"
    return repr(value)


def hyphened(name: str) -> str:
    """Return a name of several words as the command line takes it."""
    return name.replace(" ", "-")
