"""The limit sum, the shipped sets and own sets.

Outside sources: worked sums of the trade (OM3 at 850 nm under ANSI/TIA-568.3-D coefficients);
textbook and hardware-guide budgets, named beside each; IEEE 802.3 channel losses.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rules import budget, limits, units
from rules.limit_sets import LimitSetError, read_set
from rules.settings import Settings
from tests.rules import graded

D = Settings(limits=("tia-568.3-d",))


def need(
    method: int = 1, cords: str = "reference", nm: int = 850, link: str = "L1"
) -> pd.DataFrame:
    row = {"link_id": link, "wavelength_nm": nm, "reference_method": method, "cord_grade": cords}
    return pd.DataFrame([row])


def one(link: dict[str, Any], settings: Settings = D, **asked: Any) -> pd.Series:
    rows = limits.for_links(graded.links(link), need(**asked), limits.load(), settings)
    assert len(rows) == 1
    return rows.iloc[0]


@pytest.mark.parametrize(
    ("method", "cords", "limit_db"),
    [(1, "reference", 2.40), (2, "reference", 2.10), (3, "reference", 1.80), (1, "standard", 3.30)],
)
def test_the_four_worked_sums(method: int, cords: str, limit_db: float) -> None:
    # OM3, 850 nm, 3.0 dB/km, 100 m, 4 connections; ends 0.30, connections 0.75
    row = one({}, method=method, cords=cords)
    assert row["limit_db"] == limit_db
    terms = json.loads(row["terms"])
    assert round(sum(t["db"] for t in terms), 3) == limit_db
    assert all(round(t["count"] * t["each_db"], 6) == t["db"] for t in terms)


def test_terms_say_what_was_counted_and_where_it_is_from() -> None:
    terms = json.loads(one({"splices": 2.0}, method=2)["terms"])
    assert [(t["term"], t["count"]) for t in terms] == [
        ("fibre", 0.1), ("ends", 1), ("connections", 2), ("splices", 2),
    ]  # fmt: skip
    assert terms[0]["clause"] == "ANSI/TIA-568.3-D:2016, Table 1"
    assert {t["confidence"] for t in terms} == {"seen-secondhand", "memory"}


@pytest.mark.parametrize(
    ("method", "cords", "limit_db"),
    # both ends stay inside, the matings of the reference are taken off: 0.10 multimode
    [(1, "reference", 2.40), (2, "reference", 2.30), (3, "reference", 2.20), (2, "standard", 2.55)],
)
def test_the_other_deduction_rule(method: int, cords: str, limit_db: float) -> None:
    settings = replace(D, deduction_rule="reference-mating")
    assert one({}, settings, method=method, cords=cords)["limit_db"] == limit_db


@pytest.mark.parametrize(
    ("link", "asked", "reason"),
    [
        ({"length_m": np.nan}, {}, "no length"),
        ({"length_m": -1.0}, {}, "negative"),
        ({"connections": np.nan}, {}, "no number of connections"),
        ({"connections": 2.5}, {}, "whole number"),
        ({"splices": -1.0}, {}, "whole number"),
        ({}, {"method": 0}, "reference method is unknown"),
        ({}, {"cords": ""}, "grade of the test cords is unknown"),
        ({}, {"nm": 1490}, "does not specify OM3 at 1490 nm"),
        ({"fibre_type": ""}, {}, "without fibre type"),
        ({"fibre_type": "OS1"}, {"nm": 1310}, "does not specify OS1"),
        ({"fibre_type": "OS2"}, {"nm": 1310}, "needs the environment"),
        ({"fibre_type": "OS2", "environment": "inside"}, {"nm": 1310}, "OS2 inside at 1310 nm"),
        ({"limit": "no-such-set"}, {}, "no-such-set is not known"),
        ({"limit": "foa-design"}, {}, "design values, not limits"),
    ],
)
def test_no_limit_always_says_why(link: dict[str, Any], asked: dict[str, Any], reason: str) -> None:
    row = one(link, **asked)
    assert np.isnan(row["limit_db"])
    assert reason in row["why_not"]
    assert row["terms"] == "[]"
    assert not row["limit_confirmed"]


def test_a_grade_that_does_not_matter_is_not_asked_for() -> None:
    # three cords leave no end inside; -C.3 has one value for every cord
    assert one({}, method=3, cords="")["limit_db"] == 1.80
    assert one({"limit": "tia-568-c.3"}, cords="")["limit_db"] == 3.35
    assert one({"connections": 0.0}, method=0, cords="")["limit_db"] == 0.30


def test_one_connection_is_one_end() -> None:
    assert one({"connections": 1.0})["limit_db"] == 0.60
    assert one({"connections": 1.0}, method=2)["limit_db"] == 0.60
    assert one({"connections": 1.0}, method=3)["limit_db"] == 0.30


def test_editions_differ() -> None:
    # OS1 at 1383 nm: in the amendment, not in EN 50173-1:2007 nor in ISO/IEC 11801 Ed. 2.2
    link = {"fibre_type": "OS1", "length_m": 1000.0, "connections": 2.0}
    for name, limit_db in (
        ("en-50173-1-2007", None), ("iso-iec-11801-2010", None), ("en-50173-1-2007-a1", 2.0),
    ):  # fmt: skip
        row = one(link | {"limit": name}, nm=1383)
        assert (None if np.isnan(row["limit_db"]) else row["limit_db"]) == limit_db
    assert one({"limit": "iso-iec-11801-1-2017"})["limit_db"] == 2.45


def test_several_limits_and_the_budget_rule() -> None:
    link = {"limit": "tia-568.3-d, tia-568-c.3", "budget_db": 2.0, "budgets": '{"850": 1.9}'}
    rows = limits.for_links(graded.links(link), need(), limits.load(), D)
    assert dict(zip(rows["limit_name"], rows["limit_db"], strict=True)) == {
        "budget": 1.9, "tia-568-c.3": 3.35, "tia-568.3-d": 2.4,
    }  # fmt: skip
    instead = replace(D, budget_rule="instead")
    rows = limits.for_links(graded.links(link), need(), limits.load(), instead)
    assert list(rows["limit_name"]) == ["budget"]
    assert rows["limit_confirmed"].all()


def test_a_budget_for_another_method_does_not_apply() -> None:
    link = {"budget_db": 2.0, "budget_method": "two cords"}
    rows = limits.for_links(
        graded.links(link), need(method=1), limits.load(), replace(D, budget_rule="instead")
    )
    assert "another number of test cords" in rows["why_not"].iloc[0]
    assert np.isnan(rows["limit_db"].iloc[0])


def test_a_link_without_any_limit_gets_a_row_that_says_so() -> None:
    row = one({}, Settings())
    assert (row["limit_name"], row["why_not"]) == (
        "", "neither the link nor the job names a limit",
    )  # fmt: skip


def test_confirmation_holds_for_the_values_it_saw() -> None:
    sets = limits.load()
    digest = sets["tia-568.3-d"].digest
    act = {"kind": "confirm-limit", "subject": "tia-568.3-d", "who": "E. Nuri"}
    for argument, held in (("", True), (digest, True), ("0" * 16, False)):
        names = limits.confirmed_names(graded.acts(act | {"argument": argument}), sets)
        rows = limits.for_links(graded.links(), need(), sets, D, names)
        assert rows["limit_confirmed"].iloc[0] == held


def test_every_shipped_set_is_whole() -> None:
    sets = limits.load()
    assert len(sets) == 10
    for name, one_set in sets.items():
        assert name == one_set.name
        assert not one_set.own
        for row in (*one_set.attenuation, *one_set.allowances):
            assert row.source and row.clause and row.confidence != "owner", (name, row)
            assert (row.confidence.startswith("memory")) == (row.source == "from memory")


OWN = """
format = 1
name = "works-2026"
edition = "Owner's specification 27 15 00, 2026"
extends = "itu-t-g.652-2016"

[[attenuation]]
fibres = ["OS2"]
wavelengths_nm = [1310]
db_per_km = 0.36
clause = "3.4"

[[allowance]]
item = "end"
db = 0.4
[[allowance]]
item = "connection"
db = 0.5
[[allowance]]
item = "splice"
db = 0.1
"""


def test_an_own_set_extends_a_shipped_one() -> None:
    sets = limits.load() | {"works-2026": read_set(OWN, limits.load())}
    settings = Settings(limits=("works-2026",))
    link = graded.links(
        {"fibre_type": "OS2", "length_m": 10_000.0, "connections": 4.0, "splices": 3.0}
    )
    for nm, limit_db, sure in ((1310, 5.7, True), (1550, 5.1, False), (1625, 6.1, False)):
        row = limits.for_links(link, need(nm=nm), sets, settings).iloc[0]
        assert row["limit_db"] == limit_db
        assert row["limit_confirmed"] == sure


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("format = 1\nname = ", "not TOML"),
        ("format = 2\nname = 'a'\nedition = 'b'", "format: must be 1; found 2"),
        ("format = 1\nedition = 'b'", "name: is missing"),
        ("format = 1\nname = 'A b'\nedition = 'b'", "name: must be lower-case"),
        ("format = 1\nname = 'a'\nedition = 'b'\ncolour = 1", "colour: is not a key"),
        (OWN.replace("0.36", "-1.0"), "attenuation[1].db_per_km: "),
        (OWN.replace("0.36", "'x'"), "attenuation[1].db_per_km: "),
        (OWN.replace('"OS2"', '"OS9"'), "attenuation[1].fibres: found OS9; allowed: OM1"),
        (OWN.replace("db_per_km = 0.36\n", ""), "give db_per_km, or specified = false"),
        (OWN.replace('"end"', '"ends"'), "allowance[1].item: must be 'connection'"),
        (OWN.replace("itu-t-g.652-2016", "nothing"), "extends: found 'nothing'; allowed: en-"),
    ],
)
def test_a_broken_own_set_is_told_by_key(text: str, complaint: str) -> None:
    with pytest.raises(LimitSetError) as told:
        read_set(text, limits.load())
    assert complaint in str(told.value)
    assert "\n\n" not in str(told.value)


EXAMPLES = [
    # network equipment hardware guide: 2 km multimode, power budget 13 dB
    ((2.0, 1.0, 5, 0.5, 2, 0.5, (0.5,)), 6.0, 13.0, 7.0),
    # the same with 1 dB for clock recovery
    ((2.0, 1.0, 5, 0.5, 2, 0.5, (0.5, 1.0)), 7.0, 13.0, 6.0),
    # the same guide: 8 km single-mode
    ((8.0, 0.5, 7, 0.5, 0, 0.5, ()), 7.5, 13.0, 5.5),
    # industrial fieldbus coupler manual
    ((2.1, 0.8, 2, 0.25, 3, 0.3, ()), 3.08, 7.5, 4.42),
    # an engineer's public note: 10 km at 1310 nm, 3 dB safety
    ((10.0, 0.35, 2, 0.5, 1, 0.01, (3.0,)), 7.51, None, None),
    # Keiser, Optical Fiber Communications, Example 8.1
    ((6.0, 3.5, 2, 1.0, 0, 0.0, (6.0,)), 29.0, None, None),
    # Keiser, Example 8.2: launch 3 dBm, receive -32 dBm
    ((60.0, 0.3, 2, 1.0, 0, 0.0, (8.0,)), 28.0, budget.power_budget_db(3.0, -32.0), 7.0),
    # Blake, Electronic Communication Systems, Example 25.1: 1.5 mW, -25 dBm
    (
        (40.0, 0.3, 1, 4.0, 15, 0.25, ()), 19.75,
        budget.power_budget_db(float(units.dbm(1.5)), -25.0), 7.011,
    ),
]  # fmt: skip


@pytest.mark.parametrize(("parts", "loss_db", "available_db", "margin_db"), EXAMPLES)
def test_published_budgets(
    parts: tuple[float, float, int, float, int, float, tuple[float, ...]],
    loss_db: float,
    available_db: float | None,
    margin_db: float | None,
) -> None:
    length, alpha, connections, connection, splices, splice, other = parts
    total = budget.total_db(
        [(length, alpha), (connections, connection), (splices, splice), *((1, o) for o in other)]
    )
    assert float(total) == pytest.approx(loss_db, abs=5e-4)
    if available_db is not None:
        assert available_db - float(total) == pytest.approx(margin_db, abs=5e-4)


def test_published_power_budget_and_longest_links() -> None:
    # hardware guide: -15 dBm launch, -28 dBm receive
    assert budget.power_budget_db(-15.0, -28.0) == 13.0
    # Khare, Fiber Optics and Optoelectronics, Examples 12.1 and 12.2
    assert float(budget.longest_km(32.0, 6.0 + 2 * 1.0, 2.5 + 0.5)) == pytest.approx(8.0)
    assert float(budget.longest_km(25.0, 7.0 + 1.5, 3.0 + 0.5)) == pytest.approx(4.71, abs=5e-3)
    assert float(budget.longest_km(1.0, 2.0, 3.0)) == 0.0


def test_the_limit_sum_recomputes_a_published_budget() -> None:
    """The fieldbus manual's link through an own set and the product's own path."""
    own = """
format = 1
name = "manual"
edition = "fieldbus coupler manual"
[[attenuation]]
fibres = ["OM2"]
wavelengths_nm = [1300]
db_per_km = 0.8
[[allowance]]
item = "end"
db = 0.25
[[allowance]]
item = "connection"
db = 0.25
[[allowance]]
item = "splice"
db = 0.3
"""
    link = graded.links(
        {"fibre_type": "OM2", "length_m": 2100.0, "connections": 2.0, "splices": 3.0}
    )
    settings = Settings(limits=("manual",))
    rows = limits.for_links(link, need(nm=1300), {"manual": read_set(own)}, settings)
    assert rows["limit_db"].iloc[0] == 3.08
