"""Does a job deliver the next master that the service file expects of it? Known before any deck."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from deckwright.errors import ConfigError, Fault
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.service import JobServiceSpec, ServiceSpec
from deckwright.service.config.compile import Compiled
from deckwright.service.system.places import Workspace


def without_lane_faults(compiled: Compiled, spec: ServiceSpec, workspace: Workspace) -> Compiled:
    """Return the jobs but those whose masters the service file names wrongly, with those faults."""
    told: dict[str, list[str]] = {}
    for job in compiled.jobs.values():
        wrong = lane_problems(spec.job(job.name), job.files, job.next_masters)
        if wrong:
            told[job.name] = [str(each) for each in _placed(workspace, job.name, wrong)]
    if not told:
        return compiled
    jobs = {name: job for name, job in compiled.jobs.items() if name not in told}
    faults = sorted([*compiled.faults, *(fault for found in told.values() for fault in found)])
    return replace(compiled, jobs=jobs, faults=faults)


def lane_problems(
    how: JobServiceSpec, files: Collection[str], declared: Mapping[str, str]
) -> dict[str, str]:
    """Return what is wrong with the masters of a job: key of the service file to a sentence.

    Args:
        how: what the service file says of the job.
        files: names in the job's `[files]`.
        declared: what its stages declare: delivery to the master whose next state it is.
    """
    if how.master is None:
        needs = "needs the key 'master' too: the file of the job's [files] that is moved on"
        return {"next_master": needs} if how.next_master else {}
    if how.master not in files:
        there = ", ".join(sorted(files)) or "nothing"
        return {"master": f"the job's [files] do not name {how.master!r}; they name {there}"}
    if how.next_master is None or declared.get(how.next_master) == how.master:
        return {}
    names = sorted(file for file, master in declared.items() if master == how.master)
    hint = f"; declared: {', '.join(names)}" if names else ""
    what = f"no stage of the job declares {how.next_master!r} the next {how.master!r}{hint}"
    return {"next_master": what}


def _placed(workspace: Workspace, job: str, wrong: Mapping[str, str]) -> list[Fault]:
    try:
        file = ConfigFile(workspace.service_file)
    except ConfigError as error:  # written anew this very moment
        return error.faults
    name = "config/service.toml"
    found = [
        file.fault(("jobs", job, key), f"[jobs.{job}] {key}: {what}") for key, what in wrong.items()
    ]
    return [Fault(name, each.line, each.what) for each in found]
