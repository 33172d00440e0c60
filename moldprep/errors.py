"""The whole error tree. Every error says where, what, what was allowed and what to try."""

from typing import ClassVar


class MoldprepError(Exception):
    """Base of all errors a user can act on; never raised itself.

    Parameters
    ----------
    what
        What is wrong and what was allowed, one sentence.
    code
        Stable ``area/what-is-wrong`` code that README explains.
    where
        File, table, key, part or place in mm.
    fix
        What to try next.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, *, code: str, where: str = "", fix: str = "") -> None:
        super().__init__(what)
        self.what, self.code, self.where, self.fix = what, code, where, fix

    def __str__(self) -> str:
        line = f"{self.where}: {self.what}" if self.where else self.what
        return f"{line} [{self.code}]" + (f"\n  try: {self.fix}" if self.fix else "")


class JobError(MoldprepError):
    """The job file or a file in configs/ cannot be used."""

    exit_code = 2


class GeometryError(MoldprepError):
    """A model or a body is not a closed solid of a sensible size."""

    exit_code = 3


class StageError(MoldprepError):
    """A stage could not build its result, or a solver did not converge."""

    exit_code = 4


class FileError(MoldprepError):
    """A file or folder cannot be read or written."""

    exit_code = 5


class NotMade(LookupError):  # noqa: N818  it is a state, not a fault
    """A record was asked for that no stage has made yet; a check turns it into SKIP."""
