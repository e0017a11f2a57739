"""Pages of HTML: one skeleton, one style, and text that is never taken for HTML.

A page is a template of the folder `templates` that extends `page.html` and fills its blocks `lead`
and `main`; `pieces.html` has macros for what pages share. Every value is escaped, and each
character of it that cannot be shown is replaced by a sign, unless it was made by `drawn`. A page
needs no other file and no script, and forbids a browser to fetch or run anything. Nothing here
loads a library for numbers or tables, since the service makes a page too.
"""

from __future__ import annotations

from base64 import b64encode
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import TYPE_CHECKING
from urllib.parse import quote

from markupsafe import Markup

from deckwright.report.figures import EDGE, count
from deckwright.report.signs import shown, shown_character
from deckwright.wording import percent, plural

if TYPE_CHECKING:
    from jinja2 import Environment

_TEMPLATES = "templates"


def page(template: str, kind: str, title: str, **values: object) -> str:
    """Return a page; the same values give the same page, byte for byte.

    Args:
        template: file name of a template; a file of the same name that ends with `.css` beside it
            is added to the style.
        kind: what the page is, such as `Control sheet`: stands above the heading.
        title: the heading.
        values: what the template shows.
    """
    style = _style(template.removesuffix(".html"))
    made = environment().get_template(template)
    return made.render(kind=kind, title=title, style=Markup(style), policy=_policy(style), **values)  # noqa: S704 # our own file


def drawn(svg: str) -> Markup:
    """Return a drawing of our own, whose texts are escaped, so that a template shows it as one."""
    return Markup(svg)  # noqa: S704 # made by this package, which escapes what stands in it


def link(path: str) -> str:
    """Return the address of a file by its path, relative to the page."""
    return quote(path) if path.startswith((".", "/")) else f"./{quote(path)}"


@cache
def environment() -> Environment:
    """Return the templates and what they work with."""
    # not every command makes a page, and the library takes its time
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415

    from deckwright.report.made import Made  # noqa: PLC0415

    made = Environment(
        loader=PackageLoader("deckwright.report", _TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        bytecode_cache=Made(),
        finalize=_final,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters |= {"count": count, "plural": plural, "percent": percent, "link": link}
    made.filters["character"] = shown_character
    made.globals["ticks"] = drawn(EDGE)
    return made


def _final(value: object) -> object:
    """Return a value with a sign for each character that cannot be shown."""
    return shown(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def _style(name: str) -> str:
    folder = files("deckwright.report").joinpath(_TEMPLATES)
    own = folder.joinpath(f"{name}.css")
    base = folder.joinpath("page.css").read_text(encoding="utf-8")
    return base + (own.read_text(encoding="utf-8") if own.is_file() else "")


@cache
def _policy(style: str) -> str:
    """Return what the page forbids: all but its own style and pictures within it.

    Source: W3C Content Security Policy Level 3, section 2.3.1.
    """
    digest = b64encode(sha256(style.encode()).digest()).decode("ascii")
    return (
        f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; "
        "form-action 'none'"
    )
