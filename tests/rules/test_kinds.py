"""Other tests with a power meter: each with its own form of limit, none squeezed into a link's."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rules import checks, grades, kinds, planned, units
from rules.evaluation import Decisions, Plan, RunSheets
from rules.settings import Settings
from tests.rules import graded
from tests.rules.graded import SETTINGS, codes, links, runs, working

SINGLE = {"fibre_type": "OS2", "environment": "outside", "wavelengths": "1310"}


def result(
    plan: dict[str, Any], reading: dict[str, Any], settings: Settings = SETTINGS, **run: Any
) -> pd.Series:
    kind = {"kind": plan["kind"]}
    table = graded.grade(working(kind | reading), links(plan), runs(run), settings).grades
    assert len(table) == 1
    return table.iloc[0]


@pytest.mark.parametrize(
    ("fibre", "nm", "cords", "limit_db"),
    [
        ("OM3", 850, "reference", 0.30),
        ("OS2", 1310, "reference", 0.50),
        ("OM3", 850, "standard", 0.75),
    ],
)
def test_a_cord_is_one_end_whatever_its_length(
    fibre: str, nm: int, cords: str, limit_db: float
) -> None:
    plan = {"kind": "cord", "fibre_type": fibre, "environment": "outside", "wavelengths": str(nm)}
    row = result(plan, {"wavelength_nm": nm, "loss_db": limit_db}, cord_grade=cords)
    assert (row["limit_db"], row["grade"]) == (limit_db, "pass")
    link = plan | {"kind": "link", "connections": 2.0}
    of_link = result(link, {"wavelength_nm": nm}, cord_grade=cords)
    assert row["uncertainty_db"] < of_link["uncertainty_db"]


def test_test_cords_against_each_other() -> None:
    # reference grade to reference grade: 0.10 dB multimode, 0.20 dB single-mode
    assert result({"kind": "cord-check"}, {"loss_db": 0.1})["grade"] == "pass"
    assert result({"kind": "cord-check"}, {"loss_db": 0.101})["grade"] == "fail"
    row = result(SINGLE | {"kind": "cord-check"}, {"wavelength_nm": 1310, "loss_db": 0.2})
    assert (row["limit_db"], row["grade"]) == (0.2, "pass")


def test_a_splitter_by_its_size_with_what_is_attached() -> None:
    bare = SINGLE | {
        "kind": "splitter", "class": "1:8", "connections": np.nan, "length_m": np.nan,
    }  # fmt: skip
    reading = {"wavelength_nm": 1310, "loss_db": 10.8}
    assert result(bare, reading)["limit_db"] == 10.8
    cased = bare | {"connections": 2.0}
    assert result(cased, reading)["limit_db"] == 11.8
    assert not result(cased, reading)["limit_confirmed"]
    odd = result(bare | {"class": "1:7"}, reading)
    assert (odd["grade"], odd["why"]) == ("no-limit", "no value is known for a 1:7 splitter")


def test_splitters_lose_more_than_the_ideal() -> None:
    # equal division of power: 10 log10(outputs); the excess grows with the outputs
    excess = [
        row["max_db"] - float(units.dbm(float(row["outputs"])))
        for row in kinds.shipped_tables()["splitter"]
    ]
    assert (np.diff(excess) > -0.05).all()
    assert 0.5 < excess[0] < excess[-1] < 4


def test_an_access_network_needs_loss_too_and_may_be_measured_by_power() -> None:
    plan = SINGLE | {"kind": "access", "class": "G-PON B+"}
    for loss, grade, margin in ((20.0, "pass", 7.0), (28.0, "pass", 0.0), (28.1, "fail", -0.1),
                                (13.0, "pass", 0.0), (12.9, "fail", -0.1)):  # fmt: skip
        row = result(plan, {"wavelength_nm": 1310, "loss_db": loss})
        assert (row["grade"], row["margin_db"]) == (grade, margin)
    power = {"wavelength_nm": 1310, "quantity": "power", "loss_db": np.nan, "power_dbm": -24.0}
    row = result(plan | {"min_dbm": -28.0, "max_dbm": -8.0}, power)
    assert (row["grade"], row["margin_db"]) == ("pass", 4.0)
    assert result(plan, power)["grade"] == "no-limit"


def test_a_class_that_may_be_several_is_asked_for() -> None:
    assert isinstance(kinds.access_class("B+"), dict)
    # N1 is 14 to 29 dB for XG-PON and XGS-PON alike; A is one of G-PON only
    assert isinstance(kinds.access_class("N1"), dict)
    several = kinds.access_class("G-PON")
    assert isinstance(several, str) and "name the system too" in several
    assert kinds.access_class("Z9") == "no access network has the class 'Z9'"


@pytest.mark.parametrize(
    ("power", "grade", "margin"),
    # IEEE 802.3 clause 52, 10GBASE-LR: receive -14.4 to +0.5 dBm
    [(-14.4, "pass", 0.0), (-14.5, "fail", -0.1), (0.5, "pass", 0.0), (0.6, "fail", -0.1),
     (-6.0, "pass", 6.5)],
)  # fmt: skip
def test_power_at_an_interface(power: float, grade: str, margin: float) -> None:
    plan = SINGLE | {"kind": "power", "class": "10GBASE-LR rx"}
    reading = {"wavelength_nm": 1310, "quantity": "power", "loss_db": np.nan, "power_dbm": power}
    row = result(plan, reading)
    assert (row["grade"], row["margin_db"], row["limit_name"]) == (grade, margin, "10GBASE-LR rx")
    assert (row["min_dbm"], row["max_dbm"]) == (-14.4, 0.5)


def test_a_window_of_the_plan_and_windows_that_cannot_be_told() -> None:
    reading = {"wavelength_nm": 1310, "quantity": "power", "loss_db": np.nan, "power_dbm": -5.0}
    plan = SINGLE | {"kind": "power"}
    own = result(plan | {"min_dbm": -9.0}, reading)
    assert (own["grade"], own["margin_db"], own["clause"]) == ("pass", 4.0, "window of the plan")
    shared = result(plan | {"class": "100GBASE-LR4 rx"}, reading)
    assert "several wavelengths share the fibre" in shared["why"]
    assert result(plan, reading)["grade"] == "no-limit"
    # IEEE 802.3 clause 88: launch up to +4.5 dBm a lane, +10.5 dBm over four
    four = result(plan | {"class": "100GBASE-LR4 tx total"}, reading | {"power_dbm": 10.5})
    assert (four["max_dbm"], four["grade"]) == (10.52, "pass")
    assert four["limit_name"] == "100GBASE-LR4 tx total"


def test_absolute_power_carries_the_calibration_and_loss_does_not() -> None:
    reading = {"wavelength_nm": 1310, "quantity": "power", "loss_db": np.nan, "power_dbm": -5.0}
    plan = SINGLE | {"kind": "power", "min_dbm": -9.0}
    better = replace(SETTINGS, uncertainty=replace(SETTINGS.uncertainty, calibration_db=0.0))
    u, less = (
        result(plan, reading)["uncertainty_db"],
        result(plan, reading, better)["uncertainty_db"],
    )
    assert u**2 - less**2 == pytest.approx((2 * SETTINGS.uncertainty.calibration_db) ** 2)
    loss = {"wavelength_nm": 1310}
    assert (
        result(SINGLE | {"kind": "link"}, loss)["uncertainty_db"]
        == result(SINGLE | {"kind": "link"}, loss, better)["uncertainty_db"]
    )


@pytest.mark.parametrize(("state", "grade"), [("ok", "pass"), ("no-light", "fail")])
def test_continuity_is_light_at_the_port(state: str, grade: str) -> None:
    row = result({"kind": "continuity", "wavelengths": ""}, {"state": state, "loss_db": np.nan,
                 "power_dbm": -20.0, "quantity": "power"}, cord_grade="")  # fmt: skip
    assert (row["grade"], row["wavelength_nm"], row["direction"]) == (grade, 0, "")


@pytest.mark.parametrize(
    ("planned_position", "seen", "grade"),
    [("2", 2, "pass"), ("2", 1, "fail"), ("2", 0, "no-limit"), ("", 1, "no-limit")],
)
def test_polarity_is_the_position_at_which_the_light_arrives(
    planned_position: str, seen: int, grade: str
) -> None:
    plan = {"kind": "polarity", "pair_position": planned_position}
    row = result(plan, {"fibre_position": seen, "quantity": "power", "power_dbm": -20.0})
    assert row["grade"] == grade
    assert bool(row["why"]) == (grade == "no-limit")


def looked(plan: pd.DataFrame, readings: pd.DataFrame) -> set[str]:
    result: grades.Graded = graded.grade(readings, plan)
    context = checks.Context(
        Plan(plan, 1), readings, runs(), RunSheets(), graded.pairs(readings), Decisions(), SETTINGS,
        planned.expand(plan, SETTINGS), grades=result.grades,
    )  # fmt: skip
    mine = [c for c in checks.CHECKS.values() if c.name.startswith("powering.")]
    assert len(mine) == 2
    return set(pd.concat([c.look(context) for c in mine])["code"])


@pytest.mark.parametrize(("received", "found"), [(-5.0, False), (-6.1, True), (-3.9, True)])
def test_sent_less_received_power_is_the_loss(received: float, found: bool) -> None:
    fibre = SINGLE | {"cable": "C1", "strand": "7"}
    plan = links(
        fibre | {"link_id": "L1"},
        fibre | {"link_id": "T1", "kind": "power", "class": "10GBASE-LR tx"},
        fibre | {"link_id": "E1", "kind": "power", "class": "10GBASE-LR rx"},
    )
    at = {"wavelength_nm": 1310}
    power = at | {"kind": "power", "quantity": "power", "loss_db": np.nan}
    readings = working(
        at | {"link_id": "L1", "loss_db": 2.0},
        power | {"link_id": "T1", "power_dbm": -3.0},
        power | {"link_id": "E1", "power_dbm": received},
    )
    assert (looked(plan, readings) == {"power-loss-disagree"}) == found


@pytest.mark.parametrize(("odd_one", "found"), [(11.4, False), (11.6, True)])
def test_outputs_of_one_splitter_are_alike(odd_one: float, found: bool) -> None:
    ports = [SINGLE | {"kind": "splitter", "class": "1:8", "cable": "S1", "link_id": f"S1.{n}"}
             for n in range(3)]  # fmt: skip
    losses = (10.0, 10.2, odd_one)
    readings = working(
        *({"link_id": p["link_id"], "kind": "splitter", "wavelength_nm": 1310, "loss_db": loss}
          for p, loss in zip(ports, losses, strict=True))
    )  # fmt: skip
    assert (looked(links(*ports), readings) == {"splitter-uneven"}) == found


def test_findings_of_kinds_without_a_limit() -> None:
    plan = links(SINGLE | {"kind": "access", "class": ""})
    found = graded.grade(working({"kind": "access", "wavelength_nm": 1310}), plan)
    assert "limit-missing" in codes(found)
