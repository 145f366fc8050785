"""One-to-one pressure against scipy's assignment on small dense cases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from rules.evaluation import Decisions, Plan
from rules.pairing import Parameters, candidates, claims, engine
from rules.settings import Settings
from tests.rules.pairing.test_properties import plan_of, run, working_of

ROUNDS = 8


def dense(bits: np.ndarray) -> candidates.States:
    """Make states of records that may each stand at every unit, with the given evidence."""
    records, units = bits.shape
    none = np.zeros(bits.size, dtype=np.int64)
    return candidates.States(
        np.repeat(np.arange(records), units), np.tile(np.arange(units), records),
        np.tile(np.arange(units), records), none, none + candidates.MISTYPED,
        np.rint(1000 * bits).astype(np.int64).ravel(), np.arange(0, bits.size + 1, units),
    )  # fmt: skip


def soft(bits: np.ndarray, runs: np.ndarray, rounds: int = ROUNDS) -> np.ndarray:
    """Return each record's probability per unit after rounds of one-to-one messages."""
    records, units = bits.shape
    states, total = dense(bits), bits
    for _ in range(rounds):
        probability = np.exp2(total - total.max(axis=1, keepdims=True))
        probability /= probability.sum(axis=1, keepdims=True)
        against = claims.rivals(
            states, probability.ravel(), np.arange(records), runs,
            np.zeros(records, dtype=np.int64), np.arange(units),
            np.zeros(records, dtype=bool), np.zeros(0, dtype=np.int64), Parameters(),
        )  # fmt: skip
        # half a step, so that two rivals do not both leave and both come back for ever
        total = 0.5 * total + 0.5 * (bits + against.reshape(bits.shape) / 1000)
    probability = np.exp2(total - total.max(axis=1, keepdims=True))
    return np.asarray(probability / probability.sum(axis=1, keepdims=True))


def case(seed: int, size: int = 6) -> np.ndarray:
    """Return evidence in which one record fits two units nearly alike, others mostly their own."""
    rng = np.random.default_rng(seed)
    bits = rng.uniform(-9, -6, (size, size))
    bits[np.arange(size), np.arange(size)] = rng.uniform(-1.5, 0, size)
    one, other = rng.choice(size, 2, replace=False)
    # this record fits the other's unit slightly better than its own
    bits[one, other] = bits[one, one] + rng.uniform(0.1, 0.9)
    return np.asarray(bits)


@pytest.mark.parametrize("seed", range(40))
def test_messages_find_the_best_assignment_where_records_alone_do_not(seed: int) -> None:
    bits = case(seed)
    rows, best = linear_sum_assignment(bits, maximize=True)
    alone = bits.argmax(axis=1)
    assert (alone != best).any(), "two records want one link"
    found = soft(bits, np.arange(len(bits)))
    assert (found.argmax(axis=1) == best[rows]).all()


def test_messages_change_nothing_where_nobody_competes() -> None:
    bits = np.full((5, 5), -8.0) + 8 * np.eye(5)
    plain = np.exp2(bits) / np.exp2(bits).sum(axis=1, keepdims=True)
    found = soft(bits, np.arange(5))
    assert (found.argmax(axis=1) == linear_sum_assignment(bits, maximize=True)[1]).all()
    assert (np.diag(found) >= np.diag(plain)).all()


def test_a_link_is_not_given_because_it_is_free() -> None:
    bits = np.array([[0.0, -20.0], [-0.1, -20.0]])
    assert linear_sum_assignment(bits, maximize=True)[1].tolist() in ([0, 1], [1, 0])
    found = soft(bits, np.arange(2))
    # assignment has to send one of them to the other link; pressure leaves both in doubt
    assert (found.argmax(axis=1) == 0).all()


@pytest.mark.parametrize("seed", range(8))
def test_the_engine_places_records_as_the_best_assignment_of_their_labels(seed: int) -> None:
    rng = np.random.default_rng([31, seed])
    links = plan_of(panels=1, ports=8)
    labels = [f"TR1-A-{p:02d}" for p in rng.permutation(np.arange(1, 9))]
    # one label is cut: it fits every port alike
    labels[0] = labels[0][:-1]
    labels.append(labels[2])
    working = working_of([(f"R{n}", label) for n, label in enumerate(labels)], seed)
    (part,) = engine.weighed(Plan(links), working, Decisions(), Parameters(), Settings())
    bits = np.full((len(labels), part.grid.units), -60.0)
    inside = (part.states.form != candidates.OUTSIDE) & (part.states.regime == 0)
    where = part.states.record[inside], part.states.unit[inside]
    np.maximum.at(bits, where, part.terms["label"][inside] / 1000)
    rows, best = linear_sum_assignment(bits, maximize=True)
    # the cut label and the two equal ones are in doubt; all others have one best place
    lone = np.array([labels.count(part.names[row]) == 1 and row > 0 for row in rows])
    assert lone.sum() == len(labels) - 3
    assert (part.unit[rows][lone] == best[lone]).all()
    assert part.unit[0] not in part.unit[1:], "no claimed link, and a free one only if it fits"
    pairs = run(links, working).pairs.merge(working[["reading_id", "label"]], on="reading_id")
    assert set(pairs.loc[pairs["label"] == labels[2], "status"]) == {"question"}
