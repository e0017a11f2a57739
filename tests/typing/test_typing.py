"""A type checker finds the public API as it is promised, and the plugins of the guide right."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from guide_plugins import GUIDE

HERE = Path(__file__).parent
pytestmark = pytest.mark.slow


def checked(*files: Path, cache: Path) -> str:
    """Return what mypy says of files in its strict mode; "" if nothing."""
    done = subprocess.run(  # noqa: S603 # our own command
        [sys.executable, "-m", "mypy", "--strict", "--no-error-summary", "--cache-dir", str(cache),
         "--enable-error-code", "ignore-without-code", "--config-file=",
         *map(str, files)],
        capture_output=True, check=False, text=True, timeout=600, cwd=cache,
    )  # fmt: skip
    return done.stdout + done.stderr


def test_the_public_api_has_the_types_that_it_promises(tmp_path) -> None:
    assert checked(HERE / "public_api.py", cache=tmp_path) == ""


def test_a_wrong_type_would_be_found(tmp_path) -> None:
    text = (HERE / "public_api.py").read_text(encoding="utf-8")
    wrong = text.replace("assert_type(closing.cards, int)", "assert_type(closing.cards, str)")
    assert wrong != text
    (tmp_path / "wrong.py").write_text(wrong, encoding="utf-8")
    assert "[assert-type]" in checked(tmp_path / "wrong.py", cache=tmp_path)


def test_every_plugin_that_the_pages_show_passes_in_strict_mode(tmp_path) -> None:
    pages = (GUIDE, HERE.parents[1] / "DEVELOPERS.md")
    texts = [page.read_text(encoding="utf-8") for page in pages]
    blocks = [b for text in texts for b in re.findall(r"```python\n(.*?)```", text, re.DOTALL)]
    files = []
    for number, block in enumerate(block for block in blocks if "@hookimpl" in block):
        files.append(tmp_path / f"plugin_{number}.py")
        files[-1].write_text(block, encoding="utf-8")
    assert len(files) > 8
    assert checked(*files, cache=tmp_path) == ""
