"""The chain's forward-backward against the recursions of hmmlearn (Rabiner 1989)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.pairing import chain, transitions
from rules.pairing.parameters import Parameters

_hmmc = pytest.importorskip("hmmlearn._hmmc")


@settings(derandomize=True, max_examples=40, deadline=None)
@given(st.integers(2, 7), st.integers(2, 9), st.integers(0, 2), st.integers(0, 10_000))
def test_forward_backward_is_that_of_hmmlearn(
    ports: int, records: int, kind: int, seed: int
) -> None:
    count = ports * records
    place = transitions.Place(
        np.zeros(count, dtype=np.int64), np.tile(np.arange(ports), records),
        np.full(count, ports), np.zeros(count, dtype=np.int64), np.ones(count, dtype=np.int64),
        np.full(count, kind), np.ones(count, dtype=bool), np.zeros(count),
    )  # fmt: skip
    table = transitions.moves(Parameters())
    weight = np.random.default_rng(seed).uniform(-12, 0, count)
    first = np.arange(0, count + 1, ports)
    laid = chain.lay_out([(0, records)], first, place, table, 1)
    found = chain.posterior(laid, weight)

    one = [
        a[None, :ports] for a in (place.panel, place.place, place.size, place.regime, place.sign)
    ]
    move = np.arange(ports)[None, :] - np.arange(ports)[:, None]
    step = table.within[kind, 0, 0][
        np.clip(move, -transitions.REACH, transitions.REACH) + transitions.REACH
    ]
    frames = np.exp2(weight).reshape(records, ports)
    if records >= chain.SPOT:
        frames[-1] *= chain._stop(one)[0]
    frames /= frames.max(axis=1, keepdims=True)
    begin = chain._start(one, np.array([kind]), np.array([records >= chain.SPOT]), table)[0]
    _, ahead, scaling = _hmmc.forward_scaling(begin, step, frames)
    both = ahead * _hmmc.backward_scaling(begin, step, frames, scaling)
    both /= both.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(found.reshape(records, ports), both, atol=1e-5)


def test_a_run_is_weighed_alike_whatever_stands_beside_it() -> None:
    ports, records = 5, 8
    rng = np.random.default_rng(3)

    def posterior(runs: int) -> np.ndarray:
        count = ports * records * runs
        place = transitions.Place(
            np.zeros(count, dtype=np.int64), np.tile(np.arange(ports), records * runs),
            np.full(count, ports), np.zeros(count, dtype=np.int64), np.ones(count, dtype=np.int64),
            np.zeros(count, dtype=np.int64), np.ones(count, dtype=bool), np.zeros(count),
        )  # fmt: skip
        laid = chain.lay_out(
            [(r * records, (r + 1) * records) for r in range(runs)],
            np.arange(0, count + 1, ports), place, transitions.moves(Parameters()), 1,
        )  # fmt: skip
        return chain.posterior(laid, np.tile(weight, runs))

    weight = rng.uniform(-12, 0, ports * records)
    alone, many = posterior(1), posterior(7)
    assert (many.reshape(7, -1) == alone).all()


def test_runs_of_any_width_and_length_are_weighed_as_each_by_itself(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(5)
    lengths = rng.integers(1, 40, 60)
    states = np.where(rng.random(lengths.sum()) < 0.1, 40, 5) + rng.integers(0, 9, lengths.sum())
    first = np.r_[0, np.cumsum(states)]
    count = int(first[-1])
    size = np.full(count, 24)
    place = transitions.Place(
        rng.integers(0, 3, count), rng.integers(0, 24, count), size, rng.integers(0, 8, count),
        np.ones(count, dtype=np.int64), np.zeros(count, dtype=np.int64), rng.random(count) < 0.9,
        rng.uniform(-1, 3, count),
    )  # fmt: skip
    weight = rng.uniform(-20, 0, count)
    table = transitions.moves(Parameters())
    ends = np.cumsum(lengths).tolist()
    runs = list(zip([0, *ends[:-1]], ends, strict=True))

    def found(some: list[tuple[int, int]]) -> np.ndarray:
        return chain.posterior(chain.lay_out(some, first, place, table, 3), weight)

    together = found(runs)
    for start, end in runs[::6]:
        mine = slice(first[start], first[end])
        assert (found([(start, end)])[mine] == together[mine]).all()
    monkeypatch.setattr(chain, "MOST_KEPT", 0)
    assert (found(runs) == together).all(), "transitions made each time are those that are kept"
    assert np.allclose(np.add.reduceat(together, first[:-1]), 1.0)
