"""What went wrong, where, and what to do about it.

Every error that a user can meet carries those three sentences. `exit_status` says whose turn it is:
1 the data broke a rule that stops a run, 2 wrong usage or settings, 3 our own fault.
"""

from __future__ import annotations


class EvapfleetError(Exception):
    """An error with its place and its way out.

    Parameters
    ----------
    what : one sentence: what is wrong.
    where : the file, field, setting or table it was met in; "" where there is no such place.
    todo : one sentence: what the reader can do now.
    """

    exit_status = 3

    def __init__(self, what: str, where: str = "", todo: str = "") -> None:
        self.what, self.where, self.todo = what, where, todo
        super().__init__(self.as_text())

    def as_text(self) -> str:
        lines = [self.what]
        if self.where:
            lines.append(f"  where: {self.where}")
        if self.todo:
            lines.append(f"  to do: {self.todo}")
        return "\n".join(lines)


class DataStopsRun(EvapfleetError):
    """The data broke a rule that stops a run; the previous warehouse stays as it was."""

    exit_status = 1


class WrongUsage(EvapfleetError):
    """A command, a setting or a `source.toml` says something that cannot be done."""

    exit_status = 2


class FileUnreadable(EvapfleetError):
    """One file cannot be read at all; it is reported and the others go on (permanent)."""

    exit_status = 1


class UnitUnknown(FileUnreadable):
    """A measured column of a file has no unit that is known."""


class OurFault(EvapfleetError):
    """A promise that evapfleet makes to itself does not hold."""

    exit_status = 3


class Transient(EvapfleetError):
    """Something that may well work when tried again (a lock held by another run, a busy disk)."""

    exit_status = 1
