"""Is a run complete? Deck and outputs are hashed again, whoever said that all is well."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from deckwright.service.store.records import Amount, Claim, FileFacts, Sha256
from deckwright.service.system.fs import digest_of_file
from deckwright.service.system.places import DECK, MANIFEST

DeckState = Literal["same", "longer", "other"]
"""The deck is as it was taken; begins with what was taken; is something else."""

_BLOCK = 1 << 20


class _Loose(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class _Deck(_Loose):
    size: Amount
    sha256: Sha256


class _Used(_Loose):
    sha256: Sha256


class _File(_Deck):
    name: str


class NextMaster(_Loose):
    """A delivery that its stage declares the next state of a master. Counts records.

    read: those that another stage of the run met in the master; None where none counted them.
    """

    file: str
    master: str
    before: Amount
    added: Amount
    deleted: Amount
    after: Amount
    read: Amount | None = None


class CarriedFile(_Loose):
    """A delivery that its stage carries on. name: in the job's files. Read and made: SHA-256."""

    file: str
    name: str
    records: Amount
    read: Sha256
    made: Sha256


class _RunDeck(_Deck):
    taken_from: str = Field("", alias="from")
    """The job's file that it lies in; empty: it is the deck that was taken."""


class RunManifest(_Loose):
    """What is needed of the manifest that the engine writes into a run folder."""

    decks: list[_RunDeck]
    files_used: dict[str, _Used]
    counts: dict[str, int]
    versions: dict[str, str]
    files: list[_File]
    next_masters: list[NextMaster] = []
    carried: list[CarriedFile] = []


@dataclass(frozen=True, slots=True)
class Checked:
    """What a look at an attempt found. problem: empty when the outputs are complete and right."""

    deck: DeckState
    problem: str = ""
    files: list[FileFacts] = field(default_factory=list)
    versions: dict[str, str] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    used: dict[str, str] = field(default_factory=dict)
    next_masters: list[NextMaster] = field(default_factory=list)
    carried: list[CarriedFile] = field(default_factory=list)


def check_attempt(folder: Path, out: str, claim: Claim, sha256: str) -> Checked:
    """Hash the deck and every file of an attempt, and compare with claim and run manifest.

    Args:
        folder: the folder of the run.
        out: name of the run folder in it.
        claim: how the deck was taken.
        sha256: of the run manifest, as the worker has told it.

    Raises:
        OSError: the deck cannot be read.
    """
    state = deck_state(folder / DECK, claim)
    if state != "same":
        return Checked(state)
    try:
        data = (folder / out / MANIFEST).read_bytes()
        manifest = RunManifest.model_validate_json(data)
        found = {file.name: file for file in files_below(folder / out, "out")}
    except (OSError, ValidationError) as error:
        return Checked("same", f"the run folder has no valid manifest: {type(error).__name__}")
    told = {f"out/{file.name}": (file.size, file.sha256) for file in manifest.files}
    real = {name: (file.size, file.sha256) for name, file in found.items()}
    if {hashlib.sha256(data).hexdigest(), real.pop(f"out/{MANIFEST}")[1]} != {sha256}:
        return Checked("same", "the manifest of the run folder is not the one that the run wrote")
    if told != real:
        wrong = sorted(set(told.items()) ^ set(real.items()))
        return Checked("same", f"the run folder differs from its manifest in {wrong[0][0]}")
    decks = [(deck.size, deck.sha256) for deck in manifest.decks if not deck.taken_from]
    if decks != [(claim.deck.size, claim.deck.sha256)]:
        return Checked("same", "the run read another deck than was taken")
    return Checked(
        "same",
        files=sorted(found.values(), key=lambda file: file.name),
        versions=dict(sorted(manifest.versions.items())),
        counts={name: int(count) for name, count in sorted(manifest.counts.items())},
        used={name: used.sha256 for name, used in manifest.files_used.items()},
        next_masters=manifest.next_masters,
        carried=manifest.carried,
    )


def deck_state(deck: Path, claim: Claim) -> DeckState:
    """Compare a deck with what was claimed.

    Raises:
        OSError: it cannot be read.
    """
    size, digest = digest_of_file(deck)
    if digest == claim.deck.sha256:
        return "same"
    if size > claim.deck.size and _digest_of_beginning(deck, claim.deck.size) == claim.deck.sha256:
        return "longer"
    return "other"


def _digest_of_beginning(deck: Path, size: int) -> str:
    digest = hashlib.sha256()
    with deck.open("rb") as file:
        while size and (block := file.read(min(_BLOCK, size))):
            digest.update(block)
            size -= len(block)
    return digest.hexdigest()


def files_below(folder: Path, prefix: str) -> list[FileFacts]:
    """Return every file below a folder with size and SHA-256, names beginning with a prefix.

    Raises:
        OSError: something is neither a file nor a folder, or cannot be read.
    """
    found: list[FileFacts] = []
    _add_below(os.fspath(folder), prefix, found)
    return found


def _add_below(folder: str, prefix: str, found: list[FileFacts]) -> None:
    with os.scandir(folder) as entries:
        for entry in entries:
            name = f"{prefix}/{entry.name}"
            if entry.is_dir(follow_symlinks=False):
                _add_below(entry.path, name, found)
            else:
                size, digest = digest_of_file(entry.path)
                found.append(FileFacts(name=name, size=size, sha256=digest))
