"""Print documents: typst in worker processes with its own fonts, parts joined by pikepdf.

A small document is one run with tagged text. A large one is printed part by part, so that no
process holds more than a few hundred pages, and joined; its page numbers come from a first run.
"""

from __future__ import annotations

import io
import re
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Literal

from reports import resources
from reports.document import BREAK, Document, data

WHOLE_ROWS = 1500
"""Documents up to this many table rows are printed in one run (about 40 pages)."""

TASKS = 2
"""Parts that one process prints before another takes its place."""

STANDARD: Literal["a-2b"] = "a-2b"

Progress = Callable[[int, int], None]
"""Called with (done, of)."""


def silent(_done: int, _of: int) -> None:
    """Report nothing."""


class Workers:
    """Worker processes that are replaced after a few parts.

    typst keeps what it laid out for a next run of the same text, which only a fresh process
    forgets. (The pool's own way to replace its processes can come to a standstill in Python 3.11.)
    """

    def __init__(self, count: int = 2) -> None:
        self.count = count

    def run(
        self, job: Callable[..., Any], arguments: Sequence[tuple[Any, ...]],
        progress: Progress = silent,
    ) -> list[Any]:  # fmt: skip
        """Call `job` with each tuple of arguments; the answers come in the same order."""
        found: list[Any] = []
        size = self.count * TASKS
        for start in range(0, len(arguments), size):
            batch = arguments[start : start + size]
            with pool(min(self.count, len(batch))) as executor:
                for future in [executor.submit(job, *one) for one in batch]:
                    found.append(future.result())
                    progress(len(found), len(arguments))
        return found


def pool(count: int) -> ProcessPoolExecutor:
    """Open worker processes; spawned, so that they carry nothing of this one's memory."""
    return ProcessPoolExecutor(count, mp_context=get_context("spawn"))


def press(
    document: Document, as_of: str, workers: Workers | None = None, progress: Progress = silent
) -> bytes:
    """Print one document as PDF/A-2b; the same document and `as_of` give the same bytes."""
    stamp = moment(as_of)
    if document.rows() <= WHOLE_ROWS or workers is None:
        whole = document.whole()
        return _packed(compile_part(data(whole, 0), dict(whole.pictures), stamp, tags=True))
    return _joined(document, stamp, workers, progress)


def moment(as_of: str) -> datetime:
    """Read the time of the newest journal entry; a job without entries prints as of 1980."""
    if not as_of:
        return datetime(1980, 1, 1, tzinfo=UTC)
    return datetime.fromisoformat(as_of).astimezone(UTC).replace(microsecond=0)


def compile_part(content: bytes, pictures: dict[str, bytes], stamp: datetime, tags: bool) -> bytes:
    """Run typst over one part in a temporary folder."""
    import typst

    with tempfile.TemporaryDirectory(prefix="glasstally-press-") as name:
        folder = Path(name)
        for file, source in resources.templates().items():
            (folder / file).write_text(source, encoding="utf-8")
        for file, picture in pictures.items():
            (folder / file).write_bytes(picture)
        (folder / "data.json").write_bytes(content)
        compiler = typst.Compiler(
            str(folder / "house.typ"), root=str(folder), ignore_system_fonts=True
        )
        out = compiler.compile(
            format="pdf", pdf_standards=[STANDARD], timestamp=stamp, pdf_tags=tags
        )
    assert isinstance(out, bytes)
    return out


def _joined(document: Document, stamp: datetime, workers: Workers, progress: Progress) -> bytes:
    """Print the parts in two rounds: the second knows every page number."""
    import pikepdf

    sizes, entries = _foresee(document, stamp, workers)
    for attempt in range(3):
        step = _rest(progress, attempt)
        printed = _round(document, stamp, workers, step, sizes, entries)
        found = [_measure(part) for part in printed]
        true_entries = _entries([pages for pages, _ in found], [titles for _, titles in found])
        if [pages for pages, _ in found] == sizes and true_entries == entries:
            break
        sizes, entries = [pages for pages, _ in found], true_entries
    with pikepdf.open(io.BytesIO(printed[0])) as whole:
        for part in printed[1:]:
            with pikepdf.open(io.BytesIO(part)) as more:
                whole.pages.extend(more.pages)
        with whole.open_outline() as outline:
            outline.root.clear()
            outline.root.extend(pikepdf.OutlineItem(title, page - 1) for title, page in entries)
        _restate(whole, len(whole.pages))
        return _saved(whole)


def _rest(progress: Progress, attempt: int) -> Progress:
    """Let each further round take four fifths of what is left, so that nothing runs backwards."""
    left = 0.2**attempt
    return lambda done, of: progress(round(1000 * (1 - left + 0.8 * left * done / of)), 1000)


def _packed(printed: bytes) -> bytes:
    """Store objects compressed: tagged text takes a sixth of the room (measured)."""
    import pikepdf

    with pikepdf.open(io.BytesIO(printed)) as pdf:
        return _saved(pdf)


def _saved(pdf: Any) -> bytes:
    import pikepdf

    if "/MarkInfo" in pdf.Root and "/Suspects" in pdf.Root.MarkInfo:
        # `false` is the default, and one common reader stumbles over seeing it written
        del pdf.Root.MarkInfo.Suspects
    out = io.BytesIO()
    pdf.save(out, deterministic_id=True, object_stream_mode=pikepdf.ObjectStreamMode.generate)
    return out.getvalue()


def _restate(pdf: Any, pages: int) -> None:
    """Let the metadata of the first part speak of the whole document."""
    text = pdf.Root.Metadata.read_bytes()
    text = re.sub(rb"(<xmpTPg:NPages>)\d+", rb"\g<1>%d" % pages, text)
    pdf.Root.Metadata.write(text)


Headings = list[tuple[str, int]]


def _foresee(document: Document, stamp: datetime, workers: Workers) -> tuple[list[int], Headings]:
    """Count the pages of each part: known where rows are given page by page, else by trial."""
    known: dict[int, tuple[int, Headings]] = {}
    trials = []
    for i, part in enumerate(document.parts):
        sheets = [block for block in part if block["is"] == "sheet"]
        if len(sheets) == 1 and part[0] == BREAK and part[-1] is sheets[0]:
            titles = [(block["text"], 0) for block in part if block["is"] == "heading"]
            known[i] = (len(sheets[0]["pages"]), titles)
        else:
            trials.append((i, data(document, i, 1, 1, []), _pictures(document, i), stamp))
    measured = workers.run(_trial, [one[1:] for one in trials])
    known |= {one[0]: size for one, size in zip(trials, measured, strict=True)}
    parts = [known[i] for i in range(len(document.parts))]
    return [pages for pages, _ in parts], _entries(
        [pages for pages, _ in parts], [titles for _, titles in parts]
    )


def _entries(sizes: list[int], titles: list[Headings]) -> Headings:
    """Place the headings of every part on the pages of the whole."""
    at, found = 1, []
    for pages, headings in zip(sizes, titles, strict=True):
        found += [(title, at + page) for title, page in headings]
        at += pages
    return found


def _round(
    document: Document, stamp: datetime, workers: Workers, progress: Progress, sizes: list[int],
    entries: Headings,
) -> list[bytes]:  # fmt: skip
    total, at, jobs = sum(sizes), 1, []
    for i, pages in enumerate(sizes):
        content = data(document, i, at, total, entries)
        jobs.append((content, _pictures(document, i), stamp, False))
        at += pages
    return workers.run(compile_part, jobs, progress)


def _trial(content: bytes, pictures: dict[str, bytes], stamp: datetime) -> tuple[int, Headings]:
    return _measure(compile_part(content, pictures, stamp, tags=False))


def _measure(part: bytes) -> tuple[int, Headings]:
    """Count the pages of a printed part and find the pages of its headings (from 0)."""
    import pikepdf

    with pikepdf.open(io.BytesIO(part)) as pdf:
        numbers: dict[Any, int] = {page.objgen: i for i, page in enumerate(pdf.pages)}
        found: Headings = []
        with pdf.open_outline() as outline:
            for item in outline.root:
                target: Any = item.destination if item.action is None else item.action.D
                found.append((str(item.title), numbers[target[0].objgen]))
        return len(numbers), found


def _pictures(document: Document, part: int) -> dict[str, bytes]:
    names = [block["file"] for block in document.parts[part] if block["is"] == "chart"]
    return {name: document.pictures[name] for name in names}
