"""Every error of the job folder.

::

    JobError            a job that cannot be used: one line a problem, where, what, what to do
    +-- NoJob           there is no job.toml in the folder
    +-- JobChanged      the file was changed by somebody else since it was read; nothing was written
"""

from __future__ import annotations


class JobError(ValueError):
    """A job that cannot be used, or not be written. One line a problem: where, what, what to do."""

    def __init__(self, origin: str, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(f"{origin}: {problem}" for problem in problems))


class NoJob(JobError):  # noqa: N818 - what is so
    """The folder has no job.toml: none was begun, or the path is wrong."""


class JobChanged(JobError):  # noqa: N818 - what happened
    """Somebody else wrote the file since it was read. Nothing was written; what they wrote stands."""
