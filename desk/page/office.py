"""The running page's hold on the job: reads it, has changes derived off the request, words it."""

from __future__ import annotations

import threading
import traceback
from collections.abc import Callable, Hashable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as StillRunning
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from desk.page.away import Away
from desk.page.door import Door, Visitor
from desk.page.figures import Ahead, Figures
from desk.page.shelf import Shelf
from ingest import blocks, current, schema, sharing, store
from ingest.errors import Trouble
from ingest.job import Job, who
from ingest.logs import write_bug
from rules import tables

T = TypeVar("T")
Row = dict[str, Any]
PATIENCE_SECONDS = 3.0
"""How long a form waits for the figures; afterwards they follow by themselves."""


class Reader:
    """One consistent view of the store: every query is fetched whole."""

    def __init__(self, connection: Any) -> None:
        self.connection = connection

    def rows(self, sql: str, arguments: Sequence[Any] = ()) -> list[Row]:
        """Return the rows of a query as dicts."""
        cursor = self.connection.execute(sql, arguments)
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]

    def of_link(self, table: str, link_id: str) -> list[Row]:
        """Return the rows of a derived table that belong to a link, in their order."""
        if table in schema.BLOCKS:
            return blocks.of_link(self.connection, table, link_id)
        sql = f"SELECT * FROM derived_{table} WHERE link_id = ? ORDER BY rowid"
        return self.rows(sql, (link_id,))

    def columns(self, table: str, wanted: Sequence[str]) -> pd.DataFrame:
        """Return columns of a derived table of links, whole."""
        return tables.spelled(blocks.frame(self.connection, table, wanted))

    def distinct(self, table: str, wanted: Sequence[str]) -> list[tuple[Any, ...]]:
        """Return the distinct combinations of columns of a derived table of links, sorted."""
        return blocks.distinct(self.connection, table, wanted)

    def frame(self, sql: str, arguments: Sequence[Any] = ()) -> pd.DataFrame:
        """Return the rows of a query as columns."""
        cursor = self.connection.execute(sql, arguments)
        names = [column[0] for column in cursor.description]
        return pd.DataFrame(cursor.fetchall(), columns=names)

    def one(self, sql: str, arguments: Sequence[Any] = ()) -> Any:
        """Return the first value of a query, None without a row."""
        row = self.connection.execute(sql, arguments).fetchone()
        return None if row is None else row[0]


@dataclass(frozen=True)
class Work:
    """Something done in the background, and whether it is done."""

    what: str
    future: Future[Any]


class Office:
    """Everything that the pages share while the page runs."""

    def __init__(
        self,
        folder: Path,
        door: Door,
        owner: str = "",
        patience: float = PATIENCE_SECONDS,
        *,
        away: bool = False,
    ) -> None:
        self.folder = folder
        self.door = door
        self.owner = owner or who()
        """Who decides where visitors do not give a name."""
        self.patience = patience
        self.ending: Callable[[], bool] = lambda: False
        """Whether the page is about to stop, so that open event streams end by themselves."""
        self.closing = False
        """Whether the page stops: only what cannot be done again is still done."""
        self.shelf = Shelf()
        self.lasting = Shelf()
        """What depends on nothing but its key, whatever the state of the store; its mark is ""."""
        self.trouble = ""
        """What went wrong in the background, until the next success."""
        self._away = Away() if away else None
        # set in the worker's own thread, so that whatever it runs reckons elsewhere
        self._worker = ThreadPoolExecutor(
            1, "glasstally-desk", initializer=sharing.AWAY.set, initargs=(self._away,)
        )
        self._work: list[Work] = []
        self._lock = threading.Lock()
        self._job: tuple[int, Job] | None = None
        self._looked = ""
        """The state of the store that `catch_up` looked at last."""
        self.warm: tuple[tuple[Hashable, Callable[[Reader], Any]], ...] = ()
        """What is computed for a new state before anybody asks for it, as `glance` takes it."""
        self.ahead = Ahead(self.mark)

    def job(self) -> Job:
        """Open the job, anew when its settings changed."""
        stamp = (self.folder / "job.toml").stat().st_mtime_ns
        with self._lock:
            if self._job is None or self._job[0] != stamp:
                self._job = (stamp, Job.open(self.folder))
            return self._job[1]

    def mark(self) -> str:
        """Tell one state of the store and its settings from another, at the price of a stat."""
        parts = []
        for name in ("glasstally.db", "glasstally.db-wal", "job.toml"):
            try:
                found = (self.folder / name).stat()
            except OSError:
                continue
            parts.append(f"{found.st_mtime_ns:x}-{found.st_size:x}")
        return ".".join(parts)

    def read(self, key: Hashable, query: Callable[[Reader], T]) -> T:
        """Return what a query gives on the present state, computed once per state."""

        def make() -> T:
            with store.reader(self.job().store) as connection:
                return query(Reader(connection))

        return self.shelf.get(self.mark(), key, make)

    def glance(
        self,
        key: Hashable,
        query: Callable[[Reader], T],
        enough: Callable[[T], bool] = lambda _: True,
    ) -> Figures[T]:
        """Return what a query gives without keeping anybody waiting: maybe that of a state before.

        Earlier figures are passed over where they are not `enough`.
        """
        return self.ahead.glance(
            key, lambda: self.read(key, query), enough, settled=not self.busy()
        )

    def change(
        self,
        what: str,
        act: Callable[[Job], T],
        visitor: Visitor,
        then: Callable[[T], None] = lambda _: None,
    ) -> bool:
        """Do what a person decided, and what follows from it, one change after another.

        Waits a little; tells whether it is done, and what to expect where it is not. `then` gets
        what `act` gives. Raises the act's own Trouble while somebody still waits for it, else every
        page shows it.
        """  # fmt: skip

        def run(job: Job) -> T:
            # within the work, so that what there is to say is said before anybody hears it is done
            done = act(job)
            then(done)
            return done

        future = self.start(what, run)
        try:
            future.result(self.patience)
        except StillRunning:
            visitor.words.append("That takes a moment. The figures follow by themselves.")
            return False
        except Trouble:
            self.trouble = ""
            raise
        return True

    def start(self, what: str, act: Callable[[Job], T]) -> Future[T]:
        """Run long work one at a time in the background."""

        def run() -> T:
            try:
                done = act(self.job())
            except Trouble as trouble:
                self.trouble = f"{what}: {' '.join(trouble.lines)}"
                raise
            except Exception:
                where = write_bug(self.folder, traceback.format_exc()).name
                self.trouble = f"{what}: our error; nothing kept is lost. See logs/{where}."
                raise
            finally:
                self._warm()
            self.trouble = ""
            return done

        future = self._worker.submit(run)
        with self._lock:
            self._work = [work for work in self._work if not work.future.done()]
            self._work.append(Work(what, future))
        return future

    def catch_up(self) -> None:
        """Look once at each new state of the store: have done in the background what it needs.

        An edited job.toml, a newer program, or a process that was stopped half-way leaves tables
        that do not belong to what is kept; a change by anybody leaves the shelf empty.
        """
        mark = self.mark()
        with self._lock:
            working = any(not work.future.done() for work in self._work)
            if self.closing or working or mark == self._looked:
                return
            self._looked = mark
        if current.why_stale(self.job()):
            self.start("Bringing the figures up to date", current.ensure)
        else:
            self._warm()

    def _warm(self) -> None:
        for key, query in self.warm:
            self.ahead.begin(key, partial(self.read, key, query))

    def busy(self) -> list[str]:
        """Name what is going on in the background."""
        with self._lock:
            return [work.what for work in self._work if not work.future.done()]

    def close(self) -> None:
        """End soon: what people decided is still kept, what follows from it waits for the next."""
        self.closing, self.warm = True, ()
        if self._away is not None:
            self._away.stop()
        self._worker.shutdown(wait=True)
        self.ahead.close()
        if self._away is not None:
            self._away.close()
