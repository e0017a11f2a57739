"""Name and version of installed distributions, from the few lines that say them.

The library reads the whole of a distribution's metadata for each, its description included.
"""

from __future__ import annotations

from importlib.metadata import Distribution, distribution


def named(found: Distribution) -> tuple[str, str]:
    """Return name and version of a distribution."""
    text = found.read_text("METADATA") or found.read_text("PKG-INFO") or ""
    head = text.replace("\r\n", "\n").partition("\n\n")[0]
    facts = dict(line.split(": ", 1) for line in head.splitlines() if ": " in line)
    if "Name" in facts and "Version" in facts:
        return facts["Name"].strip(), facts["Version"].strip()
    return found.name, found.version


def version_of(name: str) -> str:
    """Return the version of an installed distribution.

    Raises:
        PackageNotFoundError: there is none of this name.
    """
    return named(distribution(name))[1]
