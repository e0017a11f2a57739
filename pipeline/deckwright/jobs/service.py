"""The service file `config/service.toml` as a model."""

from __future__ import annotations

from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from deckwright.jobs.base import ConfigModel
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.job import parse_size

IGNORED = (".*", "~*", "*~", "*.part", "*.partial", "*.tmp", "*.temp", "*.filepart",
           "*.crdownload", "*.swp", "*.ok", "*.sha256")  # fmt: skip
"""Name patterns that are not decks: half-copied files by common custom, and ready-markers."""


def _size(text: str) -> str:
    if not parse_size(text):
        msg = "should be a size such as '256 MiB'"
        raise ValueError(msg)
    return text


def _lies_beside(path: str) -> str:
    parts = PurePosixPath(path)
    if parts.is_absolute() or ".." in parts.parts or parts.suffix != ".py":
        msg = "should be a Python file beside the service file, such as 'bell.py'"
        raise ValueError(msg)
    return path


Size = Annotated[str, AfterValidator(_size)]
PluginFile = Annotated[str, AfterValidator(_lies_beside)]
Seconds = Annotated[float, Field(gt=0, le=10_000_000)]
Count = Annotated[int, Field(ge=1, le=1_000_000)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9_][A-Za-z0-9._-]{0,63}$")]


class LimitsSpec(ConfigModel):
    """What one worker process may use, and what the disk must have left."""

    memory: Size = "2 GiB"
    """Address space of a worker beside the job's own `memory`."""
    file: Size = "16 GiB"
    """The longest file that a worker may write."""
    deck: Size = "4 GiB"
    """The largest deck that is taken."""
    open_files: Annotated[int, Field(ge=64, le=65_536)] = 256
    """Files that a worker may hold open."""
    job_timeout_s: Seconds = 900
    """A run that takes longer is ended; one second more for every MB of the deck."""
    min_free: Size = "256 MiB"
    """Below this, and below four times the deck, no deck is taken."""
    runs_a_worker: Count = 500
    """Runs after which a worker process is replaced by a fresh one."""


class RetrySpec(ConfigModel):
    """What happens when a run fails for other reasons than its deck."""

    tries: Annotated[int, Field(ge=1, le=100)] = 3
    """Tries of a deck whose worker died, hung or was cut off, before it is returned."""
    stage_tries: Annotated[int, Field(ge=1, le=100)] = 2
    """Tries of a deck on which a stage failed, before it is returned."""
    first_wait_s: Seconds = 30
    """Wait before the second try; it doubles from try to try."""
    longest_wait_s: Seconds = 3600
    """The longest wait between two tries."""
    breaker: Annotated[int, Field(ge=1, le=10_000)] = 5
    """Decks in a row that fail in the same stage until the job itself is held."""


class DeliverSpec(ConfigModel):
    """Copies of deliveries for another place, made after the run stands in `done`."""

    to: str
    """The folder, absolute or relative to the workspace; it must exist."""
    files: list[str] = Field(default_factory=list)
    """Names of deliveries; left out: all of them."""


class JobServiceSpec(ConfigModel):
    """How the service treats one job."""

    duplicates: Literal["return", "rerun"] = "return"
    """A deck with bytes, name and config of a done run: give it back, or run it again."""
    duplicate_scope: Literal["name", "content"] = "name"
    """`name`: the same bytes under another name are run, with a warning; `content`: not run."""
    require_marker: bool = False
    """Take a deck only once `NAME.ok` or `NAME.sha256` lies beside it."""
    master: Name | None = None
    """The file of the job's `[files]` that runs of this job move on, one run at a time."""
    next_master: str | None = None
    """The delivery of a done run that becomes the next master."""
    priority: Annotated[int, Field(ge=-9, le=9)] = 0
    """Decks of a job with a higher number go first."""
    due_s: Seconds | None = None
    """Among jobs of one priority, the deck that is due first goes first: so long after it came."""
    urgent: list[str] = Field(default_factory=list)
    """Patterns of names of decks that go before all others."""
    at_once: Annotated[int, Field(ge=1, le=64)] | None = None
    """The most decks of this job that run at once."""
    deliver: DeliverSpec | None = None
    """Copies for another place."""
    fetch: str | None = None
    """A folder on another file system or a share, from which decks are brought into the inbox."""


class NoticeSpec(ConfigModel):
    """An observer that hears when a deck is done, returned or held."""

    kind: Name
    """Which observer."""
    options: dict[str, Any] = Field(default_factory=dict)
    """The observer's own options."""


class ServiceSpec(ConfigModel):
    """How the service works. Every key has a default; an empty file is a good file."""

    workers: Annotated[int, Field(ge=1, le=64)] = 2
    """Decks that run at once; one process more runs large decks, so that they hold up no other."""
    large: Size = "4 MiB"
    """Decks from this size on are large."""
    settle_s: Seconds = 2
    """A file must look the same at two readings this far apart before it is taken."""
    scan_s: Seconds = 10
    """The inbox is looked through at least this often, whatever the observer reports."""
    stall_s: Seconds = 900
    """An empty file, or one that ends inside a card, is returned after this time."""
    late_s: Seconds = 86_400
    """How long decks of ended runs are looked at again for bytes that came late."""
    stop_s: Seconds = 20
    """On a stop, what runs gets this long to end."""
    observer: Literal["native", "polling", "none"] = "native"
    """What wakes a scan before its time; shares and network mounts need `polling`."""
    ignore: list[str] = Field(default_factory=lambda: list(IGNORED))
    """Patterns of file names that are never decks."""
    lease: bool = True
    """Ask the system whether anyone still has the file open for writing, where it can tell."""
    allow_hard_links: bool = False
    """Take files that have other names elsewhere."""
    allow_unsafe_filesystem: bool = False
    """Work on a file system on which no promise can be kept after a power cut."""
    log_level: Literal["debug", "info", "warning", "error"] = "info"
    """The least event that the log shows."""
    metrics_port: Annotated[int, Field(ge=0, le=65_535)] = 0
    """A port of this machine's loopback address where monitors find the metrics; 0 = none."""
    log_size: Size = "10 MB"
    """From this size on the log file `log/service.jsonl` is put aside, and a new one begun."""
    log_files: Annotated[int, Field(ge=0, le=1000)] = 9
    """So many earlier log files are kept."""
    limits: LimitsSpec = Field(default_factory=LimitsSpec)
    """Limits of workers and disk."""
    retry: RetrySpec = Field(default_factory=RetrySpec)
    """Tries, waits, and when a job is held."""
    jobs: dict[Name, JobServiceSpec] = Field(default_factory=dict)
    """Options of single jobs, by job name."""
    plugins: list[PluginFile] = Field(default_factory=list)
    """Python files that bring observers, relative to the service file or in `plugins` beside it."""
    notice: list[NoticeSpec] = Field(default_factory=list)
    """Observers of the service."""

    def job(self, name: str) -> JobServiceSpec:
        """Return the options of a job, the defaults where the file has none."""
        return self.jobs.get(name) or JobServiceSpec()


def plugin_files(spec: ServiceSpec, folder: Path) -> list[Path]:
    """Return where the one-file plugins of a service file lie; folder: that of the file."""
    found = []
    for name in spec.plugins:
        path = folder / name
        beside = folder / "plugins" / path.name
        found.append(beside if beside.is_file() and not path.is_file() else path)
    return found


def load_service(path: Path) -> ServiceSpec:
    """Return the service file; the defaults where there is none.

    Raises:
        ConfigError: with every fault, each with its line.
    """
    if not path.is_file():
        return ServiceSpec()
    file = ConfigFile(path)
    return file.validate(ServiceSpec, file.tables)
