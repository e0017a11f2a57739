"""Where the service works: inbox folders it cannot use, a workspace that is moved, a late word."""

from __future__ import annotations

import pytest

from deckwright.service.operate.control import Request
from deckwright.service.system.filesystems import unfit_inboxes
from service.house import cards_of, house
from service.kit import CARDS, Rig, drop, lay_out, quick_room
from sets import first_line


@pytest.mark.parametrize("mode", first_line([0o555, 0o000, 0o333], 0o555))
def test_an_inbox_folder_that_it_may_not_use_keeps_the_service_from_starting(mode) -> None:
    with house() as made:
        made.plain = True
        with made.serving():
            pass
        folder = made.root / "inbox" / "cards"
        folder.chmod(mode)
        try:
            made.start(wait=False)
            assert made.ended() == 78
            words = made.words()
        finally:
            folder.chmod(0o755)
        assert f"{folder} may not be written by this user" in words
        assert "give it to the user of the service" in words
        assert "Traceback" not in words


@pytest.mark.slow
def test_an_inbox_folder_that_becomes_unusable_is_told_in_health_until_it_is_put_right() -> None:
    with house() as made:
        made.plain = True
        with made.serving():
            folder = made.root / "inbox" / "cards"
            folder.chmod(0o555)
            made.wait(
                lambda: any("may not be written" in str(line) for line in made.log()), "health"
            )
            folder.chmod(0o755)
            run = made.drop("a", cards_of(1))
            made.done(run)


def test_inbox_folders_that_are_gone_are_not_this_look_s_business(tmp_path) -> None:
    (tmp_path / "there").mkdir()
    assert unfit_inboxes(tmp_path, ["there", "gone"]) == []


@pytest.mark.slow
def test_a_workspace_that_is_moved_while_it_is_served_is_said_and_the_service_stops() -> None:
    with house() as made:
        made.start()
        away = made.root.with_name("elsewhere")
        made.root.rename(away)
        try:
            assert made.ended() == 78
            words = made.words()
        finally:
            away.rename(made.root)
        assert "was moved away while it was served; nothing is lost" in words
        assert "Traceback" not in words
        run = made.drop("a", cards_of(1))
        made.once()
        made.done(run)


@pytest.mark.parametrize(("line", "event"), [("good", "done"), ("!deck", "returned")])
def test_a_run_that_ended_as_the_service_did_is_found_at_the_next_start(line, event) -> None:
    with quick_room() as room:
        root = room / "workspace"
        lay_out(root)
        drop(root, "a", f"{line}\n".encode(), CARDS)
        rig = Rig(root)
        rig.start()
        rig.step_all()
        (home,) = (root / event).iterdir()
        rig.ledger.set_state(home.name, "running")  # as if it had been killed before it entered it
        rig.close()
        again = Rig(root)
        found = again.start()
        assert [each.run for each in getattr(found, event)] == [home.name]
        again.close()
        (root / "ledger.db").unlink()
        rebuilt = Rig(root)
        found = rebuilt.start()
        assert (found.done, found.returned) == ([], [])  # told long ago, for all that is known
        assert rebuilt.operator.do(Request(wish="requeue", what=home.name)).done
        rebuilt.close()
