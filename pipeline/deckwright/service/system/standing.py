"""Is a folder a workspace? Asked by every command on one, before anything else."""

from __future__ import annotations

from deckwright.errors import WorkspaceError
from deckwright.service.system.places import MANIFEST, Workspace, shown

_NEEDED = ("inbox", "work", "hold", "done", "returned", "master", "control")
_NAME_IT = "name the folder that `deckwright init` has made"


class NoWorkspaceError(WorkspaceError):
    """A folder is no workspace, or not a whole one; says what it is, and what to do."""

    def __init__(self, workspace: Workspace, missing: list[str]) -> None:
        root = workspace.root
        place = shown(str(root))
        if (root / MANIFEST).exists():
            said = f"is a run folder, not a workspace; {_NAME_IT}"
        elif len(missing) < len(_NEEDED):
            said = f"lacks {missing[0]}/; `deckwright init {place}` makes it"
        elif not root.exists():
            said = f"does not exist; `deckwright init {place}` makes a workspace there"
        elif root.is_dir() and not any(root.iterdir()):
            said = f"is empty; `deckwright init {place}` makes a workspace there"
        else:
            said = f"is no workspace; {_NAME_IT}"
        super().__init__(f"{place} {said}")


def expect_workspace(workspace: Workspace) -> None:
    """Go on only with a workspace.

    Raises:
        NoWorkspaceError: it is none; one sentence, the same for all commands.
    """
    missing = [name for name in _NEEDED if not (workspace.root / name).is_dir()]
    if missing:
        raise NoWorkspaceError(workspace, missing)
