"""A user without a name on this machine is no reason to fail."""

import getpass
import os

import pytest

from sequencer.user_name import user_name


def test_the_user_s_name(monkeypatch):
    monkeypatch.setenv("LOGNAME", "a technician")
    assert user_name() == "a technician"


@pytest.mark.parametrize("error", [KeyError("uid not found"), OSError("no name")])
def test_a_user_without_a_name_is_a_number(mocker, error):
    """A container's user often has none: KeyError before Python 3.13, OSError since."""
    mocker.patch.object(getpass, "getuser", side_effect=error)
    assert user_name() == str(os.getuid())
