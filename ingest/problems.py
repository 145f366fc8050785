"""What intake refuses to do, as exceptions with the exit code of the command.

Each message is one clear sentence for a person: what was found, what was expected, what to do next;
`details` are further lines (one per bad key, row or file).
"""

from __future__ import annotations


class Problem(Exception):
    """Something a person can mend; never a bug of ours."""

    exit_code = 2

    def __init__(self, message: str, details: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.details = details


class BadInput(Problem):
    """A wrong command line, job.toml, plan or sheet (exit code 2)."""

    exit_code = 2


class Damaged(Problem):
    """The job's files contradict each other (exit code 3)."""

    exit_code = 3


class NotNow(Problem):
    """Disk full, locked, no permission, port taken: try again later (exit code 4)."""

    exit_code = 4
