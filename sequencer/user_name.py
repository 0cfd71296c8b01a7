"""Who sits at this machine, as its records name them."""

import getpass
import os


def user_name() -> str:
    """The user's name; their number where this machine has no name for it (a container, say)."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return str(os.getuid())
