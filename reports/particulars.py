"""What a handover says beside the evaluation: parties, instruments, originals, journal, changes."""

from __future__ import annotations

from dataclasses import dataclass, field

from rules.settings import Settings


@dataclass(frozen=True)
class Dump:
    """The bytes of one file or capture as received."""

    sha256: str
    name: str
    names: tuple[str, ...]
    """Every name under which the same bytes arrived."""
    arrived_at: str
    size: int
    path: str = ""
    """Where its untouched copy lies inside the set; empty if it is not in the set."""


@dataclass(frozen=True)
class Entry:
    """One act of a person from the journal: answer, correction, repair, waiver, release, note."""

    at: str
    who: str
    kind: str
    subject: str
    why: str
    detail: str = ""


@dataclass(frozen=True)
class LimitNote:
    """One limit as stated: what it is, which edition and clause, whether a person confirmed it."""

    name: str
    title: str
    edition: str
    clause: str
    confirmed: bool
    source: str = ""


@dataclass(frozen=True)
class Certificate:
    """A calibration certificate: a file of the set, named by its hash."""

    serial: str
    path: str
    sha256: str


@dataclass(frozen=True)
class Change:
    """One result that differs from the revision before: `new`, `changed` or `dropped`."""

    what: str
    link_id: str
    wavelength_nm: int
    direction: str
    before: str
    now: str


@dataclass(frozen=True)
class Rest:
    """A cable that is not part of this handover: what is planned there and what is accepted."""

    cable: str
    planned: int
    accepted: int
    waived: int


@dataclass(frozen=True)
class Seal:
    """A file of the set with its hash and size."""

    path: str
    sha256: str
    size: int


@dataclass(frozen=True)
class Particulars:
    """Everything on the record that is not derived from readings."""

    job: str
    customer: str
    site: str
    contractor: str
    settings: Settings
    as_of: str
    revision: int
    job_head: str
    """SHA-256 over the sorted heads of the job's journal chains."""
    scope: tuple[str, str] = ("job", "job")
    """Kind and name of what is handed over: (`job`, …), (`cable`, `C001`), …"""
    draft: bool = False
    language: str = "en"
    paper: str = "a4"
    """`a4` or `us-letter`."""
    length_unit: str = "m"
    """`m` or `ft`."""
    limits: tuple[LimitNote, ...] = ()
    dumps: tuple[Dump, ...] = ()
    entries: tuple[Entry, ...] = ()
    certificates: tuple[Certificate, ...] = ()
    plan_change: str = ""
    changes: tuple[Change, ...] = ()
    previous: int = 0
    """The revision that this one replaces; 0 for the first."""
    requirement: str = ""
    """Title of the requirements profile; empty if none was agreed."""
    missing: tuple[str, ...] = ()
    """What is still open against that profile, item by item."""
    rest: tuple[Rest, ...] = ()
    """Cables outside the scope, with what is planned and accepted there."""
    chains: tuple[tuple[str, str], ...] = field(default=())
    """Name and head of each journal chain."""
