"""A job is a folder: where its parts lie, and how one is made and opened."""

from __future__ import annotations

import getpass
import os
import platform
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ingest import durable, jobfile, jobtemplate, journal, originals
from ingest.errors import BadInput, plainly
from rules.settings import Settings

FOLDERS = (
    "plan", "inbox", "originals", "journal", "held", "profiles", "limits", "handover", "logs",
)  # fmt: skip


@dataclass(frozen=True)
class Job:
    """An opened job: its folder, its settings as read, this laptop and the clock to use."""

    folder: Path
    file: jobfile.JobFile
    text: str
    laptop: str = field(default_factory=journal.laptop_id)
    clock: journal.Clock = journal.now

    @classmethod
    def create(
        cls,
        folder: Path,
        beginning: jobtemplate.Beginning,
        more: Mapping[str, Any] | None = None,
        clock: journal.Clock = journal.now,
    ) -> Job:
        """Make a job folder with a commented job.toml; refuse a folder that holds anything.

        `more` holds further keys and tables of job.toml as plain values.
        """
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise BadInput(f"{folder} is not empty; give a new folder for the job.")
        text = jobtemplate.template(beginning, more)
        jobfile.read(text)
        with plainly(f"Making the job {folder}"):
            folder.mkdir(parents=True, exist_ok=True)
            for name in FOLDERS:
                (folder / name).mkdir()
            durable.write(folder / "job.toml", text.encode())
        job = cls.open(folder, clock)
        from ingest.session import writing

        with writing(job, "new") as session:
            session.record("job", {"job": uuid.uuid4().hex, "format": jobfile.FORMAT})
        return job

    @classmethod
    def open(cls, folder: Path, clock: journal.Clock = journal.now) -> Job:
        """Read job.toml of a folder; raise BadInput where it is wrong or is not there."""
        path = folder / "job.toml"
        with plainly(f"Reading {path}"):
            try:
                data = path.read_bytes()
            except FileNotFoundError:
                raise BadInput(f"{folder} is no job: it holds no job.toml.") from None
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise BadInput(f"job.toml: not UTF-8 text at byte {error.start + 1}.") from None
        file = jobfile.read(text)
        with plainly(f"Making the folders of {folder}"):
            for name in FOLDERS:
                (folder / name).mkdir(exist_ok=True)
        return cls(folder, file, text, clock=clock)

    def fresh(self) -> Job:
        """Return the job as job.toml stands now: a watch or a page outlives many edits.

        Raises BadInput where the edited file is wrong.
        """
        with plainly("Reading job.toml"):
            data = (self.folder / "job.toml").read_bytes()
        if data.decode("utf-8-sig", "replace") == self.text:
            return self
        return replace(Job.open(self.folder, self.clock), laptop=self.laptop)

    @property
    def settings(self) -> Settings:
        """The settings as the rules see them."""
        return self.file.settings()

    @property
    def store(self) -> Path:
        """The database file."""
        return self.folder / "glasstally.db"

    @property
    def originals(self) -> Path:
        """The folder of the bytes as received."""
        return self.folder / "originals"

    @property
    def journals(self) -> Path:
        """The folder of the journal, one file per laptop."""
        return self.folder / "journal"

    @property
    def inbox(self) -> Path:
        """The drop folder."""
        return self.folder / "inbox"

    @property
    def held(self) -> Path:
        """The folder of copies of dumps that need a person."""
        return self.folder / "held"

    @property
    def plans(self) -> Path:
        """The folder of the plans as loaded."""
        return self.folder / "plan"

    def texts(self, kind: str) -> dict[str, str]:
        """Read the job's own TOML files of a folder, `profiles` or `limits`, by file name."""
        out = {}
        with plainly(f"Reading {kind}/"):
            for path in sorted((self.folder / kind).glob("*.toml")):
                out[path.name] = path.read_bytes().decode("utf-8-sig", "replace")
        return out

    def fingerprints(self) -> dict[str, str]:
        """Give the SHA-256 of job.toml and of every own TOML file, by `folder/name`."""
        out = {"job.toml": originals.digest(self.text.encode())}
        for kind in ("profiles", "limits"):
            for name, text in self.texts(kind).items():
                out[f"{kind}/{name}"] = originals.digest(text.encode())
        return out


def who() -> str:
    """Name the person at this laptop as the system knows them."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return os.environ.get("USERNAME", "") or platform.node() or "unknown"
