"""Write the compiled templates anew: `python -m deckwright.report.preparing`."""

from __future__ import annotations

from pathlib import Path

from jinja2.bccache import BytecodeCache

from deckwright.report.html import environment
from deckwright.report.made import FOLDER, file_name


def compiled() -> dict[str, str]:
    """Return each compiled template by its file name."""
    templates = environment()
    assert templates.loader is not None  # noqa: S101 # it has one
    found = {}
    for name in templates.list_templates(extensions=["html"]):
        source, path, _ = templates.loader.get_source(templates, name)
        checksum = BytecodeCache().get_source_checksum(source)
        found[file_name(checksum)] = templates.compile(source, name, path, raw=True) + "\n"
    return found


def main() -> None:
    """Write them, and remove what is of no template any more."""
    found = compiled()
    FOLDER.mkdir(exist_ok=True)
    for path in FOLDER.glob("*.py"):
        if path.name not in found:
            path.unlink()
    for name, text in found.items():
        Path(FOLDER / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
