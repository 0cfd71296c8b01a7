"""From the names that steps are recorded under to the steps of the procedure. Pure."""

from collections.abc import Container


def step_id_of(name: str, known: Container[str]) -> str | None:
    """The id in the procedure of a step recorded under this name; None where known has no such id.

    A step of an included procedure has dots in its id (`prep.power_on`); one of a repeated group is
    recorded with its rounds behind the id (`offset.3`, within two groups `offset.1.3`).
    """
    while name not in known:
        name, _, number = name.rpartition(".")
        if not (name and number.isdecimal()):
            return None
    return name
