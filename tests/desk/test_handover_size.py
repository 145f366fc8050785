"""The whole set of a large job within its time, memory and size; takes minutes."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pikepdf
import psutil
import pytest

from desk import handover
from desk.dossier import Dossier, Kept
from reports import facts
from reports.requirements import Requirement
from tests.reports import sample

MOST_SECONDS, MOST_BYTES = 90, 1.5e9


class Peak:
    """The most memory that this process and its workers held together, shared pages once."""

    def __init__(self) -> None:
        self.bytes, self.over = 0, threading.Event()
        self.base = self._now()
        self.thread = threading.Thread(target=self._watch, daemon=True)
        self.thread.start()

    def _now(self) -> int:
        me, held = psutil.Process(), 0
        for process in (me, *me.children(recursive=True)):
            try:
                held += process.memory_full_info().pss
            except psutil.Error:
                continue
        return held

    def _watch(self) -> None:
        while not self.over.wait(0.2):
            self.bytes = max(self.bytes, self._now())


@pytest.mark.long
def test_ten_thousand_links_both_wavelengths_and_directions(tmp_path: Path) -> None:
    evaluation = sample.evaluation(10_000)
    given = sample.particulars()
    ready = handover.Prepared(
        Dossier(evaluation, given, Kept({}, {}, {})), Requirement(), facts.results(evaluation),
        [], [],
    )  # fmt: skip
    steps: list[int] = []
    peak, start = Peak(), time.monotonic()
    handover.write(
        tmp_path / "0001", ready, handover.Options(), "", lambda done, _: steps.append(done)
    )
    took = time.monotonic() - start
    peak.over.set()
    peak.thread.join()
    assert steps == sorted(steps)
    assert len(set(steps)) > 10
    record = tmp_path / "0001" / "record.pdf"
    with pikepdf.open(record) as pdf:
        pages = len(pdf.pages)
    assert pages > 800
    assert record.stat().st_size <= 10e6 * pages / 1000
    print(f"{took:.0f} s, {peak.bytes / 1e6:.0f} MB, {pages} pages")
    assert peak.bytes <= MOST_BYTES
    assert took <= MOST_SECONDS
