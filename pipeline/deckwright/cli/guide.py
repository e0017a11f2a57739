"""`deckwright guide`: pages of the guide, which ship with the program and need no network."""

from __future__ import annotations

from importlib.resources import files

import click


@click.command(name="guide")
@click.argument("topic", required=False)
def command(topic: str | None) -> None:
    """Show the page on TOPIC, or list the topics."""
    pages = {
        page.name.removesuffix(".md"): page
        for page in files("deckwright").joinpath("guide").iterdir()
        if page.name.endswith(".md")
    }
    if topic is None:
        for name in sorted(pages):
            heading = pages[name].read_text(encoding="utf-8").splitlines()[0].lstrip("# ")
            click.echo(f"{name:<12} {heading}")
        return
    if topic not in pages:
        msg = f"there is no page {topic!r}; topics: {', '.join(sorted(pages))}"
        raise click.UsageError(msg)
    click.echo(pages[topic].read_text(encoding="utf-8"))
