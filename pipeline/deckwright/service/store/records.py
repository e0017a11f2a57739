"""What lies beside a deck: claim, manifest, reasons. Read as foreign input, whoever wrote it."""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path
from typing import Annotated, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails
from typing_extensions import override

from deckwright.jsontext import indented

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
RunName = Annotated[str, Field(pattern=r"^[0-9a-f]{16}-[0-9a-f]{6}-[1-9][0-9]{0,8}$")]
JobName = Annotated[str, Field(pattern=r"^[A-Za-z0-9_][A-Za-z0-9._-]{0,63}$")]
Amount = Annotated[int, Field(ge=0, le=2**62)]
FilePath = Annotated[str, Field(min_length=1, max_length=4096)]


def _single(text: str) -> str:
    """Refuse names that lead to another folder, and those that no file can have."""
    name = bytes.fromhex(text)
    if name in {b".", b".."} or b"/" in name or b"\0" in name:
        msg = "should be the name of a file"
        raise ValueError(msg)
    return text


FileName = Annotated[str, Field(pattern=r"^([0-9a-f]{2}){1,255}$"), AfterValidator(_single)]
"""The bytes of a name, in hex, since a name need not be text."""

MOST_REASONS = 1000
"""Entries that a `reasons.json` lists; it gives the count of all."""

_SEALED = re.compile(rb'(.*),\n  "seal": "([0-9a-f]{64})"\n}\n', re.DOTALL)

RecordT = TypeVar("RecordT", bound="Record")


class BadRecordError(Exception):
    """A record is missing, is not JSON or does not hold what it must."""


class Record(BaseModel):
    """A JSON file of the service. Unknown keys are faults."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    def to_bytes(self) -> bytes:
        """Return the record as it is written: the same content gives the same bytes."""
        text = indented(self.model_dump(mode="json"), only_ascii=True)
        return text.encode("ascii") + b"\n"

    @classmethod
    def unsealed(cls, data: bytes) -> bytes:
        """Return what is to be parsed of the bytes of a file."""
        return data


class Sealed(Record):
    """A record that is kept. Its last key is the SHA-256 of the rest, so that any change shows."""

    @override
    def to_bytes(self) -> bytes:
        rest = super().to_bytes()
        return rest[:-3] + b',\n  "seal": "%b"\n}\n' % hashlib.sha256(rest).hexdigest().encode()

    @classmethod
    @override
    def unsealed(cls, data: bytes) -> bytes:
        match = _SEALED.fullmatch(data)
        rest = match[1] + b"\n}\n" if match else b""
        if match is None or hashlib.sha256(rest).hexdigest().encode() != match[2]:
            msg = f"{cls.__name__.lower()}: it was changed since it was written, or cut off"
            raise BadRecordError(msg)
        return rest


def parse(model: type[RecordT], data: bytes) -> RecordT:
    """Return a record.

    Raises:
        BadRecordError: says which keys are wrong, never what stood in them.
    """
    try:
        return model.model_validate_json(model.unsealed(data))
    except ValidationError as error:
        details = error.errors(include_input=False, include_url=False, include_context=False)
        keys = sorted(map(_key, details))
        msg = f"{model.__name__.lower()}: {', '.join(keys[:5])}"
        raise BadRecordError(msg) from None


def _key(detail: ErrorDetails) -> str:
    """Return where a fault is; a key of no record is not named, since anything may stand there."""
    known = _field_names(Record)
    path = [
        str(part) if isinstance(part, int) or part in known else "an unknown key"
        for part in detail["loc"]
    ]
    return ".".join(path) or "the file"


def _field_names(model: type[Record]) -> set[str]:
    return set(model.model_fields).union(*map(_field_names, model.__subclasses__()))


class DeckFacts(Record):
    """A deck as it was taken."""

    name: FileName
    shown: Annotated[str, Field(max_length=4096)]
    size: Amount
    sha256: Sha256

    @property
    def name_bytes(self) -> bytes:
        """Return the name as it stood in the inbox."""
        return bytes.fromhex(self.name)


class Follows(Record):
    """The earlier run that a deck seems to repair or to go on from, and why."""

    run: RunName
    because: str


class MarkerFacts(Record):
    """A ready-marker that came with a deck: its name and its inode."""

    name: FileName
    inode: Amount

    @property
    def file_name(self) -> str:
        """Return its name in the inbox."""
        return os.fsdecode(bytes.fromhex(self.name))


class Claim(Sealed):
    """Written before a deck is taken: what it is, when it came, and what is to be done with it."""

    claim: Literal[1] = 1
    run: RunName
    deck: DeckFacts
    folder: FileName
    """The name of its folder in the inbox."""
    job: JobName
    config: Sha256
    taken_at: Annotated[str, Field(max_length=40)]
    order: Amount
    """Place among all decks ever taken here: runs of one master go in this order."""
    lane: JobName | None = None
    follows: Follows | None = None
    same_bytes: RunName | None = None
    """An earlier run of the same bytes under another name, done or under way."""
    marker: MarkerFacts | None = None
    again: RunName | None = None
    """The run that an operator had done once more."""
    open_end: Amount = 0
    """Bytes of the last line of a deck of lines, where that has no line end; 0 where it has one.

    It is 0 as well where a ready-marker said that the deck is whole.
    """
    continues: Follows | None = None
    """The earlier run whose deck has an open end and of which this one seems to be the rest."""

    def ties(self) -> dict[str, object]:
        """Return what is told, with the end of its run, of its end and of other runs."""
        found = {
            "follows": self.follows.run if self.follows else "",
            "open_end": self.open_end,
            "continues": self.continues.run if self.continues else "",
            "same_bytes_as": self.same_bytes,
        }
        return {name: value for name, value in found.items() if value}


class FileFacts(Record):
    """A file of the run folder, path relative to the folder of the run."""

    name: FilePath
    size: Amount
    sha256: Sha256


class LaneStep(Record):
    """How a run moved a master on. file: the delivery that becomes the next master.

    number: which move it is, from 1; a run that was held moves the master later than it was taken.
    before, added, deleted, after: records, as the stage that made it accounts for them; None in
    what earlier versions wrote.
    """

    lane: JobName
    number: Amount
    parent: Sha256
    next: Sha256
    file: FilePath
    before: Amount | None = None
    added: Amount | None = None
    deleted: Amount | None = None
    after: Amount | None = None


class Manifest(Sealed):
    """Written when every output is there and flushed; a run without a valid one is not done."""

    manifest: Literal[1] = 1
    run: RunName
    job: JobName
    deck: DeckFacts
    config: Sha256
    versions: dict[str, str]
    counts: dict[str, int]
    files: list[FileFacts]
    lane: LaneStep | None = None

    def figures(self) -> dict[str, object]:
        """Return the counts that are told with the end of the run."""
        return {name: count for name, count in self.counts.items() if name != "holds"}


class ReasonEntry(Record):
    """Why a deck came back. columns count from 1; cards are card numbers."""

    code: Annotated[str, Field(max_length=64)]
    stage: Annotated[str, Field(max_length=200)] = ""
    card: Amount | None = None
    columns: Annotated[str, Field(max_length=64)] = ""
    sentence: Annotated[str, Field(max_length=20_000)]
    remedy: Annotated[str, Field(max_length=4096)] = ""
    at: Annotated[str, Field(max_length=40)] = ""
    """When, for the causes of several tries."""
    where: list[str] = Field(default_factory=list)
    """File, line and function of each call, without any value."""


class Reasons(Sealed):
    """Why a whole deck was returned: the first entries and how many there are."""

    reasons: Literal[1] = 1
    run: RunName
    job: JobName
    deck: DeckFacts
    count: Amount
    entries: Annotated[list[ReasonEntry], Field(max_length=MOST_REASONS)]

    def to_text(self) -> str:
        """Return the reasons in words, for people."""
        lines = [f"The deck {self.deck.shown} came back from the job {self.job}.", ""]
        for entry in self.entries:
            place = ", ".join(
                part
                for part in (
                    entry.stage,
                    f"card {entry.card}" if entry.card else "",
                    f"columns {entry.columns}" if entry.columns else "",
                )
                if part
            )
            lines.append(f"- {f'{place}: ' if place else ''}{entry.sentence} ({entry.code})")
            if entry.where:
                lines.append(f"  Where: {entry.where[-1]}")
            if entry.remedy:
                lines.append(f"  What to do: {entry.remedy}")
        if self.count > len(self.entries):
            lines.append(f"... and {self.count - len(self.entries):,} more")
        lines += ["", "The deck lies beside this file as `deck`, not a byte changed.", ""]
        return "\n".join(lines)


class Acknowledgement(Record):
    """That a person knows of the bytes that came late to a deck. size, sha256: of the deck then."""

    by: Annotated[str, Field(min_length=1, max_length=200)]
    why: Annotated[str, Field(min_length=1, max_length=2000)]
    at: Annotated[str, Field(max_length=40)]
    size: Amount
    sha256: Sha256


class Acknowledged(Sealed):
    """All that was acknowledged of the deck of one ended run, the latest last."""

    acknowledged: Literal[1] = 1
    run: RunName
    entries: Annotated[list[Acknowledgement], Field(min_length=1, max_length=1000)]

    def covers(self, size: int, sha256: str) -> bool:
        """Tell whether a deck of this size and hash is one that somebody has acknowledged."""
        return any((each.size, each.sha256) == (size, sha256) for each in self.entries)


def load(model: type[RecordT], path: Path, most: int = 64 << 20) -> RecordT:
    """Read a record from a file.

    Raises:
        BadRecordError: it is missing, too large, or not what it must be.
    """
    from deckwright.service.system.fs import Fs  # noqa: PLC0415 # records know no file system else

    try:
        data = Fs().read(path, most)
    except OSError as error:
        msg = f"{path.name} cannot be read: {error.strerror}"
        raise BadRecordError(msg) from error
    return parse(model, data)
