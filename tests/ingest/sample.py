"""Small invented dumps, plans and clocks for the tests of intake."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ingest.job import Job
from ingest.jobtemplate import Beginning

HEAD = (
    "Stored fibre tests,form 2\nMeter unit,MA-1\n"
    "Entry,Link,Fibre,Wave nm,Way,Ref dBm,Level dBm,Loss dB,Mark,Taken\n"
)


class Clock:
    """Tells a time one second later at each look; can be set back."""

    def __init__(self, text: str = "2026-03-06T08:00:00") -> None:
        self.at = datetime.fromisoformat(text).replace(tzinfo=UTC)

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at


class Seconds:
    """A clock that runs only when told."""

    def __init__(self) -> None:
        self.at = 0.0

    def __call__(self) -> float:
        return self.at


def dump(labels: Iterable[str], loss_db: float = 0.5, day: int = 2, meter: str = "MA-1") -> bytes:
    """Write a dump in the shipped layout `comma-preamble`: one loss at 850 nm per label."""
    rows = [
        f"{i},{label},,850,A>B,,,{loss_db:.2f},ok,2026-03-{day:02d} 08:{i % 60:02d}:00\n"
        for i, label in enumerate(labels, 1)
    ]
    return (HEAD.replace("MA-1", meter) + "".join(rows)).encode()


def labels(count: int, first: int = 1) -> list[str]:
    return [f"1A.{i:02d}" for i in range(first, first + count)]


def plan(count: int = 12) -> str:
    rows = [f"1A.{i:02d},OM3,{50 + i},2,P1:{i},P2:{i},inside,850" for i in range(1, count + 1)]
    return "\n".join(
        ["link_id,fibre_type,length_m,connections,a_end,b_end,environment,wavelengths", *rows, ""]
    )


def new_job(folder: Path, clock: Clock | None = None) -> Job:
    return Job.create(
        folder, Beginning("test job", limits=("tia-568.3-d",)),
        {"cords": {"grade": "reference", "reference_method": 1}, "settle_seconds": 2.0},
        clock or Clock(),
    )  # fmt: skip


def write_plan(folder: Path, count: int = 12) -> Path:
    path = folder / "plan.csv"
    path.write_text(plan(count), "utf-8")
    return path
