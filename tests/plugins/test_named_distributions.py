"""Name and version of a distribution are those that the library reads of its metadata."""

from __future__ import annotations

from importlib.metadata import PathDistribution, distributions
from pathlib import Path

import pytest

from deckwright.plugin.distributions import named, version_of


def test_they_are_those_of_every_distribution_that_is_installed() -> None:
    there = list(distributions())
    assert len(there) > 10
    for one in there:
        assert named(one) == (one.name, one.version)
    assert version_of("numpy") == next(one.version for one in there if one.name == "numpy")


@pytest.mark.parametrize(
    "metadata",
    [
        b"Metadata-Version: 2.4\nName: some-stages\nVersion: 1.2\n\nVersion: 9 is better\n",
        b"Version: 1.2\r\nName: some-stages\r\nSummary: Name: it: as you like\r\n\r\nName: x\r\n",
    ],
)
def test_what_stands_in_a_description_does_not_count(tmp_path: Path, metadata: bytes) -> None:
    (tmp_path / "METADATA").write_bytes(metadata)
    found = PathDistribution(tmp_path)
    assert named(found) == (found.name, found.version) == ("some-stages", "1.2")
