"""How long the watchkeeper is told to wait for the next sign of progress."""

from datetime import UTC, datetime

import pytest

from sequencer import keeping
from sequencer.events import MadeSafe, MakingSafe, Noted, Stamped
from sequencer.keeping import Watchkeeper


@pytest.fixture
def patience(monkeypatch):
    """Seconds that the main thread is given after an event, on a clock that stands still."""
    monkeypatch.setattr(keeping, "real_monotonic_s", lambda: 1000.0)
    keeper = Watchkeeper()

    def tell(event):
        keeper(Stamped(t_s=0.0, at=datetime(2030, 1, 1, tzinfo=UTC), event=event))
        return keeper._deadline_s - 1000.0

    return tell


@pytest.mark.parametrize("over", [MakingSafe(is_over=True), MadeSafe(actions=())])
def test_only_making_safe_itself_is_hurried(patience, over):
    """The evaluation of a step that was cut may take as long as any: the bench is safe by then."""
    usual_s = patience(Noted(step="a", text="measuring"))
    # Longer than an exchange of the second hurried pass (1.8 s), and the bench must be safe within 5 s.
    assert 2.5 <= patience(MakingSafe()) <= 3.5
    assert patience(Noted(step="a", text="generator output off")) <= 3.5
    assert patience(over) == usual_s
    assert patience(Noted(step="a", text="evaluating")) == usual_s
