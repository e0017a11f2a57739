"""The systemd unit says what it must, and the program works under what it forbids."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from deckwright.cli.main import COMMANDS
from deckwright.errors import RestartError, WorkspaceError
from deckwright.jobs.service import ServiceSpec
from deckwright.service.operate.starting import init_workspace
from deckwright.service.workers.process import environment

UNIT = Path(__file__).parents[2] / "config" / "deckwright.service"
SERVICE = {
    "Type": "notify", "NotifyAccess": "main", "WatchdogSec": "60", "Restart": "on-failure",
    "RestartSec": "5", "RestartPreventExitStatus": "78", "KillMode": "mixed",
    "TimeoutStopSec": "30", "UMask": "0027", "NoNewPrivileges": "yes", "ProtectSystem": "strict",
    "ProtectHome": "yes", "PrivateTmp": "yes", "PrivateDevices": "yes", "PrivateNetwork": "yes",
    "ProtectKernelTunables": "yes", "ProtectKernelModules": "yes", "ProtectKernelLogs": "yes",
    "ProtectControlGroups": "yes", "ProtectClock": "yes", "ProtectProc": "invisible",
    "RestrictAddressFamilies": "AF_UNIX", "RestrictNamespaces": "yes", "RestrictSUIDSGID": "yes",
    "LockPersonality": "yes", "MemoryDenyWriteExecute": "yes", "CapabilityBoundingSet": "",
    "SystemCallArchitectures": "native", "SystemCallFilter": "@system-service", "TasksMax": "64",
}  # fmt: skip
"""What the unit is promised to hold; of a user, a workspace and a memory limit any will do."""

_MDWE = """
import ctypes, os, sys
if ctypes.CDLL(None, use_errno=True).prctl(65, 1, 0, 0, 0):
    sys.exit(99)
os.execv(sys.executable, [sys.executable, *sys.argv[1:]])
"""
"""Forbid memory that is writable and executable (PR_SET_MDWE, Linux 6.3), then begin a program."""


def directives() -> dict[str, dict[str, str]]:
    """Return the directives of each section."""
    found: dict[str, dict[str, str]] = {}
    section = ""
    for line in UNIT.read_text("utf-8").splitlines():
        if line.startswith("["):
            section = line.strip("[]")
            found[section] = {}
        elif line and not line.startswith("#"):
            name, sign, value = line.partition("=")
            assert sign
            assert name not in found[section], f"{name} stands there twice"
            found[section][name] = value
    return found


def test_every_promised_directive_is_there() -> None:
    service = directives()["Service"]
    assert {name: service.get(name) for name in SERVICE} == SERVICE
    assert service["User"] not in {"", "root", "nobody"}
    assert re.fullmatch(r"[1-9]\d*G", service["MemoryMax"])
    assert directives()["Unit"]["StartLimitBurst"] == "5"
    assert directives()["Install"] == {"WantedBy": "multi-user.target"}


def test_a_limit_of_starts_can_be_reached() -> None:
    # the usual 10 s would never see five starts that are 5 s apart
    unit, service = directives()["Unit"], directives()["Service"]
    assert int(unit["StartLimitIntervalSec"]) > 5 * (int(service["RestartSec"]) + 60)


def test_the_unit_starts_the_service_in_the_workspace_that_it_may_write() -> None:
    service = directives()["Service"]
    program, command, folder = shlex.split(service["ExecStart"])
    assert Path(program).name == "deckwright"
    assert command in COMMANDS
    assert folder == service["ReadWritePaths"] == directives()["Unit"]["RequiresMountsFor"]


def test_exit_codes_and_waits_agree_with_the_program() -> None:
    service = directives()["Service"]
    assert int(service["RestartPreventExitStatus"]) == WorkspaceError.exit_code
    assert RestartError.exit_code != WorkspaceError.exit_code
    assert int(service["TimeoutStopSec"]) > ServiceSpec().stop_s


def test_systemd_finds_no_fault_in_the_unit(tmp_path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed; the directives are compared all the same")
    text = UNIT.read_text("utf-8")
    # what stands for the place and the user of a real installation is not on this machine
    text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", text, flags=re.MULTILINE)
    text = re.sub(r"^(User|Group)=.*", r"\1=daemon", text, flags=re.MULTILINE)
    copy = tmp_path / "deckwright.service"
    copy.write_text(text, "utf-8")
    done = subprocess.run(  # noqa: S603 # a tool of the system, on our file
        [shutil.which("systemd-analyze") or "", "verify", "--man=no", str(copy)],
        check=False, capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    copy.write_text(text.replace("PrivateTmp=", "PrivatTmp="), "utf-8")
    again = subprocess.run(  # noqa: S603 # as above
        [shutil.which("systemd-analyze") or "", "verify", "--man=no", str(copy)],
        check=False, capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    assert "PrivatTmp" in again.stderr


def test_a_job_runs_where_no_memory_may_become_executable(tmp_path) -> None:
    init_workspace(tmp_path / "place", example=True)
    root = tmp_path / "place"
    given = dict([directives()["Service"]["Environment"].split("=")])
    # a worker's environment is made anew, and must keep what the unit sets
    worker = environment(tmp_path, "token", given)
    assert given.items() <= worker.items()
    run = ["-c", "from deckwright.cli.main import main; main()", "run",
           str(root / "config/jobs/first.toml"), str(root / "examples/week-23.txt"),
           "--out", str(tmp_path / "run")]  # fmt: skip
    done = subprocess.run(  # noqa: S603 # our own command
        [sys.executable, "-c", _MDWE, *run],
        env=worker, check=False, capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    if done.returncode == 99:
        pytest.skip("this kernel cannot forbid memory that is writable and executable")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "run" / "out" / "movements.csv").is_file()
