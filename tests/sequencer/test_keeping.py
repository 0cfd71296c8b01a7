"""How long the watchkeeper is told to wait for the next sign of progress."""

import math
from datetime import UTC, datetime

import pytest

from sequencer import keeping
from sequencer.events import MadeSafe, MakingSafe, Noted, Stamped, Waiting
from sequencer.keeping import Attended, Watchkeeper, WatchkeeperLost


@pytest.fixture
def patience(monkeypatch):
    """Seconds that the main thread is given after an event, on a clock that stands still."""
    monkeypatch.setattr(keeping, "real_monotonic_s", lambda: 1000.0)
    keeper = Watchkeeper()

    def tell(event):
        keeper(Stamped(t_s=0.0, at=datetime(2030, 1, 1, tzinfo=UTC), event=event))
        return keeper._deadline_s - 1000.0

    return tell


def test_a_hang_within_a_long_wait_is_noticed_as_soon_as_any(patience):
    """In real time a wait is told once a second, however much of it is left."""
    usual_s = patience(Noted(step="a", text="measuring"))
    assert patience(Waiting(step="a", left_s=8 * 3600.0)) == usual_s


@pytest.mark.parametrize("over", [MakingSafe(is_over=True), MadeSafe(actions=())])
def test_only_making_safe_itself_is_hurried(patience, over):
    """The evaluation of a step that was cut may take as long as any: the bench is safe by then."""
    usual_s = patience(Noted(step="a", text="measuring"))
    # Longer than an exchange of the second hurried pass (1.8 s), and the bench must be safe within 5 s.
    assert 2.5 <= patience(MakingSafe()) <= 3.5
    assert patience(Noted(step="a", text="generator output off")) <= 3.5
    assert patience(over) == usual_s
    assert patience(Noted(step="a", text="evaluating")) == usual_s


class Asked:
    """Somebody who thinks for three turns."""

    name = "somebody"

    def answer(self, question, meanwhile):
        for _ in range(3):
            meanwhile()
        return "yes"

    accept = answer


@pytest.mark.parametrize("method", ["answer", "accept"])
def test_who_thinks_does_not_hang_but_a_look_in_between_may(monkeypatch, method):
    monkeypatch.setattr(keeping, "real_monotonic_s", lambda: 1000.0)
    keeper = Watchkeeper()
    seen = []
    getattr(Attended(Asked(), keeper), method)("well?", lambda: seen.append(keeper._deadline_s))
    assert len(seen) == 3
    assert all(1000.0 < deadline_s < 2000.0 for deadline_s in seen)
    with keeper.patient():
        with keeper.impatient():
            assert keeper._deadline_s < math.inf
        assert keeper._deadline_s == math.inf


def test_without_its_watchkeeper_a_run_does_not_wait_for_an_answer():
    keeper = Watchkeeper()
    keeper._is_lost = keeper._is_watched = True
    with pytest.raises(WatchkeeperLost):
        Attended(Asked(), keeper).answer("well?", lambda: None)
