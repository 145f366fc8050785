"""The drop folder: which files are ready, and how one is taken without losing a late write.

A file is ready when its size and time stood still for the settle time. It is read between two
looks at it; its bytes are safe before it is touched; then it is moved to `inbox/.taken/` and only
removed from there after a while, because "closed after writing" is not "complete": a program that
still holds it open may go on. What such a program adds is taken as a further dump.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from ingest import durable
from ingest.errors import why_not
from ingest.intake import MOST_BYTES, Arrived, receive
from ingest.job import Job

GRACE_S = 600.0
"""How long a taken file is watched for late writes before it is removed."""
TAKEN = ".taken"
_TEMPORARY = re.compile(
    r"(?i).*(\.(tmp|temp|part|partial|crdownload|download|filepart|swp|lock)|~)"
)
_SYSTEM = ("thumbs.db", "desktop.ini")
_HIDDEN = 2
"""FILE_ATTRIBUTE_HIDDEN of Windows."""
Look = tuple[int, int, int]
"""Size, time and number of a file."""


@dataclass
class Drop:
    """The state of watching one drop folder between two sweeps."""

    job: Job
    settle_s: float
    seconds: Callable[[], float]
    """A clock that only runs forward."""
    tell: Callable[[str], None] = lambda _text: None
    _looks: dict[Path, tuple[Look, float]] = field(default_factory=dict)
    _told: set[tuple[Path, str]] = field(default_factory=set)
    _stuck: dict[Path, Look] = field(default_factory=dict)
    """Files that are taken and could not be moved away."""
    _kept: dict[Path, float] = field(default_factory=dict)

    @property
    def waiting(self) -> int:
        """How many files are seen and not ready yet."""
        return len(self._looks)

    def sweep(self, stopped: Callable[[], bool] = lambda: False) -> Iterator[Arrived]:
        """Take every file that is ready; yield what became of each."""
        present = set()
        for path, found in self._files():
            if stopped():
                return
            present.add(path)
            look = (found.st_size, found.st_mtime_ns, found.st_ino)
            if self._stuck.get(path) == look:
                self._move_away(path, look)
                continue
            before, since = self._looks.get(path, (None, 0.0))
            if look != before:
                self._looks[path] = (look, self.seconds())
                if self.settle_s > 0:
                    continue
            elif self.seconds() - since < self.settle_s:
                continue
            arrived = self._take(path, look)
            if arrived is not None:
                self._looks.pop(path, None)
                yield arrived
        for path in self._looks.keys() - present:
            if path.parent.name != TAKEN:
                del self._looks[path]
        yield from self._late_writes()

    def _files(self) -> Iterator[tuple[Path, os.stat_result]]:
        """Yield the regular files that may be dumps; tell once why others are passed over."""
        inbox = self.job.inbox
        for folder, names, files in os.walk(inbox, onerror=self._unreadable):
            for name in list(names):
                path = Path(folder, name)
                if name.startswith("."):
                    names.remove(name)
                elif path.is_symlink():
                    names.remove(name)
                    self._once(path, "refused: a link, not a folder")
            names.sort()
            for name in sorted(files):
                path = Path(folder, name)
                try:
                    found = path.lstat()
                except OSError:
                    continue  # gone again
                why = passed_over(name, found)
                if why:
                    self._once(path, why)
                else:
                    yield path, found

    def _unreadable(self, error: OSError) -> None:
        self._once(Path(error.filename or self.job.inbox), f"not readable: {why_not(error)}")

    def _once(self, path: Path, text: str) -> None:
        if (path, text) not in self._told:
            self._told.add((path, text))
            self.tell(f"{_shown(path, self.job.inbox)}: {text}")

    def _take(self, path: Path, look: Look) -> Arrived | None:
        """Read, make safe, and move away; None where the file changed meanwhile."""
        try:
            data = path.read_bytes()
            found = path.lstat()
        except FileNotFoundError:
            return None
        except OSError as error:
            self._once(path, f"not readable yet: {why_not(error)}")
            return None
        if (found.st_size, found.st_mtime_ns, found.st_ino) != look or len(data) != look[0]:
            self._looks[path] = ((found.st_size, found.st_mtime_ns, found.st_ino), self.seconds())
            return None
        arrived = receive(self.job, data, path.name, "file")
        self._move_away(path, look)
        return arrived

    def _move_away(self, path: Path, look: Look) -> None:
        """Move a taken file to `.taken`; its name there keeps the size and time it was taken at."""
        shelf = self.job.inbox / TAKEN
        shelf.mkdir(exist_ok=True)
        place = shelf / f"{look[0]}-{look[1]}-{look[2]}-{path.name}"[-240:]
        try:
            path.rename(place)
            durable.sync_folder(path.parent)
        except OSError as error:
            # an open file on Windows: its bytes are safe, the next sweep tries again
            self._once(path, f"taken; it cannot be moved away yet: {why_not(error)}")
            self._stuck[path] = look
            return
        self._stuck.pop(path, None)
        self._kept[place] = self.seconds()

    def _late_writes(self) -> Iterator[Arrived]:
        """Watch the taken files: take again what was written late, remove what stood still."""
        for place in sorted((self.job.inbox / TAKEN).glob("*")):
            since = self._kept.setdefault(place, self.seconds())
            match = re.match(r"(\d+)-(\d+)-(\d+)-(.*)", place.name, re.DOTALL)
            try:
                found = place.lstat()
                if match is None:
                    continue
                if (found.st_size, found.st_mtime_ns) != (int(match[1]), int(match[2])):
                    yield from self._late(place, match[4], found)
                elif self.seconds() - since >= GRACE_S:
                    place.unlink()
                    self._kept.pop(place, None)
            except OSError as error:
                self._once(place, f"stays for now: {why_not(error)}")

    def _late(self, place: Path, name: str, found: os.stat_result) -> Iterator[Arrived]:
        look = (found.st_size, found.st_mtime_ns, found.st_ino)
        before, since = self._looks.get(place, (None, 0.0))
        if look != before:
            self._looks[place] = (look, self.seconds())
            return
        if self.seconds() - since < self.settle_s:
            return
        self.tell(f"{name}: was written to after it was taken; the longer dump is taken too")
        data = place.read_bytes()
        if len(data) == look[0]:
            arrived = receive(self.job, data, name, "file")
            del self._looks[place]
            renamed = place.with_name(f"{look[0]}-{look[1]}-{look[2]}-{name}"[-240:])
            place.rename(renamed)
            self._kept[renamed] = self.seconds()
            yield arrived


def passed_over(name: str, found: os.stat_result) -> str:
    """Say why a file in the drop folder is no dump, empty if it may be one."""
    hidden = getattr(found, "st_file_attributes", 0) & _HIDDEN
    if name.startswith(".") or name.lower() in _SYSTEM or hidden:
        return "ignored: a hidden or system file"
    if name.startswith("~$") or _TEMPORARY.fullmatch(name):
        return "ignored: a temporary name; rename it when it is whole"
    if stat.S_ISLNK(found.st_mode):
        return "refused: a link, not a file"
    if not stat.S_ISREG(found.st_mode):
        return "refused: a device or pipe, not a file"
    if found.st_size > MOST_BYTES:
        return f"refused: {found.st_size} bytes; a dump has at most {MOST_BYTES}"
    return ""


def _shown(path: Path, inbox: Path) -> str:
    with suppress(ValueError):
        path = path.relative_to(inbox)
    return str(path).encode("utf-8", "replace").decode()
