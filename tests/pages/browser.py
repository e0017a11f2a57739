"""A real browser without a window: what a page is when it is shown, and what axe finds in it."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from html import unescape
from importlib.util import find_spec
from pathlib import Path

BROWSER = shutil.which("chromium")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars",
)  # fmt: skip
"""Without a sandbox since tests may run as root; the pages are our own."""

_RUN = """
window.addEventListener('load', function () {
  axe.run(document, {resultTypes: ['violations']}).then(function (found) {
    var said = found.violations.map(function (one) {
      return [one.id, one.help, one.nodes.slice(0, 4).map(function (node) { return node.html; })];
    });
    parent.postMessage(JSON.stringify({
      page: parseInt(location.pathname.split('/').pop(), 10),
      violations: said, passes: found.passes.length, width: window.innerWidth,
      wide: document.documentElement.scrollWidth,
      rows: new Set(Array.from(document.querySelectorAll('.term .big'), function (one) {
        return Math.round(one.getBoundingClientRect().bottom);
      })).size,
      dark: matchMedia('(prefers-color-scheme: dark)').matches,
    }), '*');
  });
});
"""
_FRAMES = """<!DOCTYPE html><html lang="en"><head><title>frames</title></head><body>
<pre id="found"></pre><script>
window.addEventListener('message', function (message) {
  document.getElementById('found').textContent += message.data + '\\n';
});
</script>%s</body></html>
"""
_FRAME = '<iframe title="page" src="%d.html" width="%d" height="900" style="border:0"></iframe>'
"""A window is never narrower than some 500 pixels; a frame is as narrow as a telephone."""
_POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')


def missing() -> str:
    """Return why nothing can be looked at here; empty where all is there."""
    if BROWSER is None:
        return "the Debian package chromium is not installed"
    if find_spec("axe_playwright_python") is None:
        return "axe is not installed: pip install --no-deps axe-playwright-python"
    return ""


def axe() -> str:
    """Return the script that looks for what keeps people from using a page."""
    found = find_spec("axe_playwright_python")
    assert found is not None
    assert found.submodule_search_locations
    return (Path(found.submodule_search_locations[0]) / "axe.min.js").read_text(encoding="utf-8")


def looked_at(pages: Sequence[str], width: int, *, dark: bool) -> list[dict]:
    """Return what axe finds in each page at a width, and how it is laid out; ends by itself.

    One browser shows them all. A page forbids all scripts, so that is taken out of the copy that
    is looked at.
    """
    with tempfile.TemporaryDirectory(prefix="deckwright-page-") as room:
        script = axe().replace("</script", "<\\/script")
        tail = f"<script>{script}</script><script>{_RUN}</script></head>"
        for number, page in enumerate(pages):
            copy = _POLICY.sub("", page).replace("</head>", tail, 1)
            (Path(room) / f"{number}.html").write_text(copy, encoding="utf-8")
        frames = Path(room) / "frames.html"
        shown = "".join(_FRAME % (number, width) for number in range(len(pages)))
        frames.write_text(_FRAMES % shown, encoding="utf-8")
        scheme = ["--blink-settings=preferredColorScheme=0"] if dark else []
        command = [BROWSER, *FLAGS, *scheme, f"--user-data-dir={room}/own", "--timeout=200000"]
        command += ["--window-size=1400,940", "--virtual-time-budget=20000", "--dump-dom"]
        said = subprocess.run(  # noqa: S603 # our own files
            [*command, frames.as_uri()], capture_output=True, timeout=240, check=False
        )
    found = re.search(r'<pre id="found">(.+?)</pre>', said.stdout.decode(), re.DOTALL)
    assert found is not None, said.stderr.decode()[-2000:]
    told = [json.loads(line) for line in unescape(found[1]).splitlines() if line.strip()]
    assert sorted(each["page"] for each in told) == list(range(len(pages)))
    return sorted(told, key=lambda each: each["page"])
