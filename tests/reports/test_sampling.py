"""The owner's draw. Chances are compared with scipy.stats.hypergeom and a worked table."""

import hashlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import hypergeom

from reports import facts, sampling
from rules import ends
from tests.reports import sample


@given(st.integers(1, 3000), st.floats(0, 1), st.floats(0, 1))
@settings(derandomize=True, max_examples=150)
def test_chances_are_those_of_scipy(links, share, bad_share):
    drawn, bad = round(links * share), round(links * bad_share)
    expected = 1 - hypergeom.pmf(0, links, bad, drawn)
    assert sampling.chance(links, drawn, bad) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("links", "percent", "bad", "shown"),
    [(480, 5, 5, 23), (480, 10, 5, 41), (480, 5, 24, 72), (480, 10, 24, 93), (96, 10, 5, 43)],
)
def test_worked_chances(links, percent, bad, shown):
    """Worked out from binomial coefficients; samples of 5 and 10 % are common practice."""
    found = sampling.chance(links, sampling.size(links, percent), bad)
    assert round(100 * found) == shown


def test_impossible_draws_are_refused():
    with pytest.raises(ValueError, match="bad"):
        sampling.chance(10, 5, 11)
    with pytest.raises(ValueError, match="drawn"):
        sampling.chance(10, 11, 1)


@pytest.fixture(scope="module")
def results():
    return facts.results(sample.evaluation(400, seed=3))


def test_the_draw_is_repeatable_and_follows_its_seed(results):
    one = sampling.draw(results, 10, "a seed")
    assert one.equals(sampling.draw(results, 10, "a seed"))
    assert one.equals(sampling.draw(results.sample(frac=1, random_state=1).sort_values("row"), 10,
                                    "a seed"))  # fmt: skip
    other = sampling.draw(results, 10, "another seed")
    assert set(one["link_id"]) != set(other["link_id"])


def test_the_draw_is_of_its_size_and_holds_every_marginal_link(results):
    ready = results.loc[(results["state"] == "accepted") & (results["grade"] != "")]
    drawn = sampling.draw(results, 10, "s")
    assert (drawn["why"] == "drawn").sum() == sampling.size(ready["link_id"].nunique(), 10)
    assert set(ready.loc[ready["marginal"], "link_id"]) <= set(drawn["link_id"])
    assert drawn["link_id"].is_unique


def test_the_draw_is_spread_over_panels(results):
    drawn = sampling.draw(results, 20, "s")
    chosen = set(drawn.loc[drawn["why"] == "drawn", "link_id"])
    one = results.drop_duplicates("link_id")
    panels = ends.panel(one["a_end"])
    for _, group in one.groupby(panels):
        share = group["link_id"].isin(chosen).mean()
        if len(group) == 24:
            assert 0.08 <= share <= 0.33


def test_inside_a_group_the_smallest_hashes_are_taken(results):
    """Anybody with a SHA-256 tool can repeat the draw."""
    drawn = sampling.draw(results, 10, "s")
    chosen = set(drawn.loc[drawn["why"] == "drawn", "link_id"])
    ready = results.loc[(results["state"] == "accepted") & (results["grade"] != "")]
    one = ready.drop_duplicates("link_id")
    groups = one.groupby([ends.panel(one["a_end"]), one["meter_serial"], one["taken_at"].str[:10]])
    for _, group in groups:
        ranked = sorted(group["link_id"], key=lambda x: hashlib.sha256(f"s {x}".encode()).digest())
        count = sum(link in chosen for link in ranked)
        assert set(ranked[:count]) == chosen & set(ranked)
