"""The config of a job as one file: job, layouts, codes and one-file plugins, named by its hash.

A deck is run with the snapshot that it was taken with, whatever becomes of the files meanwhile.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Annotated, Literal

from pydantic import Field

from deckwright.jobs.job import JobSpec, parse_size
from deckwright.service.store.records import BadRecordError, FilePath, JobName, Record, parse
from deckwright.service.system.fs import Fs

JOB_FILE = "job.toml"
"""What the job file is called in a snapshot; laid out, it bears the name of the job."""

LARGEST = 64 << 20
"""Bytes of the largest snapshot."""

_DEEPEST = 2


class _Content(Record):
    """A file: its text, or its bytes in Base64 where they are no UTF-8."""

    text: str | None = None
    base64: str | None = None


class _SnapshotRecord(Record):
    snapshot: Literal[1] = 1
    job: JobName
    files: Annotated[dict[str, _Content], Field(min_length=1)]
    named: dict[str, FilePath]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What a job consists of.

    job: its name. files: relative name to bytes, `job.toml` among them. named: name of each named
    file to its path, relative to the workspace where it lies inside it.
    """

    job: str
    files: dict[str, bytes]
    named: dict[str, str]

    @property
    def memory(self) -> int:
        """Return the job's memory limit in bytes; the default where the file is no job."""
        try:
            text = self.files[JOB_FILE].decode("utf-8-sig").replace("\r\n", "\n")
            memory = tomllib.loads(text).get("memory")
            found = parse_size(memory) if isinstance(memory, str) else 0
        except ValueError:  # loading the job will say what is wrong with it
            found = 0
        return found or parse_size(JobSpec.model_fields["memory"].default)

    def to_bytes(self) -> bytes:
        """Return the snapshot as it is kept: the same content gives the same bytes."""
        content = {
            "snapshot": 1,
            "job": self.job,
            "files": {name: _written(data) for name, data in self.files.items()},
            "named": self.named,
        }
        text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        return text.encode("ascii") + b"\n"

    def named_files(self, root: Path) -> dict[str, str]:
        """Return the absolute path of each named file, in the workspace at this root."""
        return {name: os.path.normpath(root / path) for name, path in self.named.items()}

    def lay_out(self, folder: Path, fs: Fs) -> Path:
        """Write the files into a new folder; return the path of the job file.

        Raises:
            OSError: the folder is there already, or there is no room.
        """
        fs.make_folder(folder)
        for part in sorted({PurePosixPath(name).parts[0] for name in self.files if "/" in name}):
            fs.make_folder(folder / part)
        job = folder / f"{self.job}.toml"
        for name, data in sorted(self.files.items()):
            fs.write_new(job if name == JOB_FILE else folder / name, data)
        return job


def digest(data: bytes) -> str:
    """Return the SHA-256 that names a snapshot."""
    return hashlib.sha256(data).hexdigest()


def inside(path: Path, root: Path) -> str:
    """Return a path relative to the root where it lies inside, else absolute; links are kept."""
    whole = Path(os.path.abspath(path))  # noqa: PTH100 # resolve would follow links
    return whole.relative_to(root).as_posix() if whole.is_relative_to(root) else str(whole)


def read_snapshot(data: bytes) -> Snapshot:
    """Return a snapshot; it is checked like anything from outside.

    Raises:
        BadRecordError: it is none; says which part is wrong.
    """
    record = parse(_SnapshotRecord, data)
    if JOB_FILE not in record.files:
        msg = f"the snapshot lacks {JOB_FILE}"
        raise BadRecordError(msg)
    files = {_checked(name): _read(content) for name, content in record.files.items()}
    return Snapshot(record.job, files, dict(record.named))


def _written(data: bytes) -> Mapping[str, str]:
    try:
        return {"text": data.decode("utf-8")}
    except UnicodeDecodeError:
        return {"base64": base64.b64encode(data).decode("ascii")}


def _read(content: _Content) -> bytes:
    if (content.text is None) == (content.base64 is None):
        msg = "a file of the snapshot needs either text or base64"
        raise BadRecordError(msg)
    try:
        if content.text is not None:
            return content.text.encode("utf-8")
        return base64.b64decode(content.base64 or "", validate=True)
    except (UnicodeEncodeError, binascii.Error) as error:
        msg = "a file of the snapshot cannot be decoded"
        raise BadRecordError(msg) from error


def _checked(name: str) -> str:
    """Return the name of a file, sure that it leads nowhere else."""
    parts = name.split("/")
    odd = any(part in {"", ".", ".."} or "\0" in part or "\\" in part for part in parts)
    if odd or len(parts) > _DEEPEST:
        msg = f"a snapshot cannot hold a file named {name[:80]!r}"
        raise BadRecordError(msg)
    return name
