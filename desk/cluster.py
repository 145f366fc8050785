"""Evaluate partitions, on this machine one after the other or on a cluster that is there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest import partition
from ingest.errors import BadInput, NotNow, Trouble
from ingest.partition import Partition
from rules.version import __version__

if TYPE_CHECKING:
    from distributed import Client

SCHEME = "dask://"
ANSWER_S = 10.0
"""How long a cluster may take to answer before it counts as not there."""


@dataclass(frozen=True)
class Outcome:
    """What became of one partition; `why` is empty where it was evaluated."""

    folder: str
    readings: int = 0
    seconds: float = 0.0
    why: str = ""


Runner = Callable[[Sequence[Partition]], Iterator[Outcome]]


def here(work: Sequence[Partition]) -> Iterator[Outcome]:
    """Evaluate each partition in this process; a bad one does not keep the others back."""
    for one in work:
        try:
            yield Outcome(one.to, one.readings, partition.run(one))
        except Trouble as trouble:
            yield Outcome(one.to, one.readings, why=str(trouble))


def on(address: str) -> Runner:
    """Connect to `dask://HOST:PORT`; give what evaluates partitions there, in the order they end.

    They are given out in the order in which they stand; one whose worker dies is given to another
    worker. Raises BadInput without the extra or for another kind of address, NotNow where nothing
    answers; the runner raises BadInput for workers that cannot do it, NotNow where there are none.
    """
    if not address.startswith(SCHEME) or ":" not in address.removeprefix(SCHEME):
        raise BadInput(f"--on {address}: give the scheduler's address as {SCHEME}HOST:PORT.")
    try:
        from distributed import Client
    except ImportError:
        raise BadInput(
            "'evaluate --on' needs an extra, here and on the workers: "
            "pip install 'glasstally[cluster]'."
        ) from None
    try:
        client = Client(  # type: ignore[no-untyped-call]
            "tcp://" + address.removeprefix(SCHEME), timeout=ANSWER_S, set_as_default=False
        )
    except (OSError, ValueError) as error:
        raise NotNow(f"No scheduler answers at {address} ({error}).") from None

    def run(work: Sequence[Partition]) -> Iterator[Outcome]:
        from distributed import as_completed

        with client:
            _fit(client, address, work)
            futures = {client.submit(partition.run, one, pure=False): one for one in work}
            for future in as_completed(futures, loop=client.loop):  # type: ignore[no-untyped-call]
                yield _outcome(futures[future], future)

    return run


def _fit(client: Client, address: str, work: Sequence[Partition]) -> None:
    """Refuse a cluster without workers, or whose workers cannot do what this machine does."""
    sources = [one.source for one in work]
    try:
        said = client.run(_seen, sources)
    except ImportError as error:
        raise BadInput(
            f"The workers of {address} cannot import the program ({error}); install it there: "
            "pip install 'glasstally[cluster]'."
        ) from None
    if not said:
        raise NotNow(f"{address} has no workers; start some: dask worker HOST:PORT --nthreads 1")
    other = [f"{who}: {version}" for who, (version, _) in said.items() if version != __version__]
    if other:
        raise BadInput(
            f"The workers must have the version of this machine, {__version__}.", *sorted(other)
        )
    blind = [f"{who}: no {missing[0]}" for who, (_, missing) in said.items() if missing]
    if blind:
        raise BadInput(
            "The workers must see the same folders under the same paths, as on a network share.",
            *sorted(blind),
        )


def _seen(sources: Sequence[str]) -> tuple[str, list[str]]:
    """Give a worker's version and the folders that it does not see."""
    return __version__, [source for source in sources if not Path(source).is_dir()]


def _outcome(work: Partition, future: Any) -> Outcome:
    from distributed import CancelledError, KilledWorker

    try:
        return Outcome(work.to, work.readings, future.result())
    except Trouble as trouble:
        why = str(trouble)
    except KilledWorker:
        why = (
            "several workers died over it, one after the other; perhaps it needs more memory than "
            "a worker has (about 2 kB a reading)"
        )
    except CancelledError:
        why = "the cluster was lost; run the same command again"
    return Outcome(work.to, work.readings, why=why)
