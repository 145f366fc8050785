"""The uncertainty budget against the `uncertainties` package and JCGM 100 (GUM) arithmetic."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from uncertainties import ufloat  # type: ignore[import-untyped]

from rules import uncertainty
from rules.settings import Instrument, Settings, Uncertainty
from rules.uncertainty import Circumstances

JOB = Settings()


def case(**given: Any) -> Circumstances:
    default = {
        "absolute": False, "multimode": False, "method": 1, "standard_cords": False,
        "single_mating": False, "mean": False, "calibration_db": 0.1,
    }  # fmt: skip
    return Circumstances(**{k: np.array([v]) for k, v in (default | given).items()})


def test_a_root_sum_of_squares_by_hand() -> None:
    # 0.05, 0.03, 0.07, 0.06: u = 0.109, U (k = 2) = 0.22 dB
    plain = Uncertainty(launch_single_mode_db=0.06, resolution_db=0.0)
    u = uncertainty.standard(case(single_mating=True), replace(JOB, uncertainty=plain))[0]
    assert u == pytest.approx(0.109, abs=5e-4)
    assert 2 * u == pytest.approx(0.22, abs=5e-3)


@pytest.mark.parametrize("multimode", [False, True])
@pytest.mark.parametrize(("method", "reference_matings"), [(1, 0), (2, 1), (3, 2)])
def test_a_loss_by_propagation(multimode: bool, method: int, reference_matings: int) -> None:
    """Rebuild the measurement: reference less received level, every mating drawn by itself."""
    u = JOB.uncertainty
    mating = u.mating_multimode_db if multimode else u.mating_single_mode_db
    launch = u.launch_multimode_db if multimode else u.launch_single_mode_db
    step = u.resolution_db / 12**0.5
    calibration = ufloat(0, 0.3)
    source, drift = ufloat(-10.0, 0.5), ufloat(0, u.source_drift_db)
    in_reference = sum(ufloat(0.1, mating) for _ in range(reference_matings))
    at_ends = sum(ufloat(0.3, mating) for _ in range(2))
    reference = source - in_reference + calibration + ufloat(0, step)
    received = (
        source + drift - at_ends - ufloat(1.0, launch) + calibration
        + ufloat(0, u.meter_linearity_db) + ufloat(0, step)
    )  # fmt: skip
    loss = reference - received
    # source level and calibration are in both levels and cancel
    ours = uncertainty.standard(case(multimode=multimode, method=method, calibration_db=0.3), JOB)
    assert ours[0] == pytest.approx(loss.s, rel=1e-12)


def test_the_mean_of_two_directions_by_propagation() -> None:
    u = JOB.uncertainty
    shared = (
        ufloat(0, u.source_drift_db)
        + ufloat(0, u.meter_linearity_db)
        + ufloat(0, u.launch_single_mode_db)
    )

    def one_way() -> Any:
        own = sum(ufloat(0.3, u.mating_single_mode_db) for _ in range(2))
        step = u.resolution_db / 12**0.5
        return shared + own + ufloat(0, step) - ufloat(0, step)

    mean = (one_way() + one_way()) / 2
    assert uncertainty.standard(case(mean=True), JOB)[0] == pytest.approx(mean.s, rel=1e-12)


def test_an_absolute_power_by_propagation() -> None:
    u = JOB.uncertainty
    level = (
        ufloat(-5.0, 0.1) + ufloat(0, u.meter_linearity_db) + ufloat(0, u.mating_single_mode_db)
        + ufloat(0, u.resolution_db / 12**0.5)
    )  # fmt: skip
    ours = uncertainty.standard(case(absolute=True, single_mating=True), JOB)[0]
    assert ours == pytest.approx(level.s, rel=1e-12)


def test_three_orthogonal_parts_as_the_gum_adds_them() -> None:
    # JCGM 100:2008 H.1.4 (figures from memory): the end gauge's u_c is 32 nm from 25, 9.7, 2.9
    # and 16.6 nm
    parts = (25.0, 9.7, 2.9, 16.6)
    ours = Uncertainty(
        source_drift_db=parts[0], meter_linearity_db=parts[1], mating_single_mode_db=parts[2],
        launch_single_mode_db=parts[3], resolution_db=0.0,
    )  # fmt: skip
    u = uncertainty.standard(case(single_mating=True), replace(JOB, uncertainty=ours))[0]
    assert u == pytest.approx(32.0, abs=0.5)


def test_standard_grade_cords_repeat_less_well_and_an_unknown_method_is_the_worst() -> None:
    good, poor = case(), case(standard_cords=True)
    assert uncertainty.standard(poor, JOB)[0] > uncertainty.standard(good, JOB)[0]
    unknown = uncertainty.standard(case(method=0), JOB)[0]
    assert unknown == max(uncertainty.standard(case(method=m), JOB)[0] for m in (1, 2, 3))


def test_the_table_of_a_budget_adds_up() -> None:
    of = case(mean=True, method=2)
    rows = uncertainty.budget(of, JOB)
    assert sum(row["u_db"] ** 2 for row in rows) ** 0.5 == pytest.approx(
        uncertainty.standard(of, JOB)[0]
    )
    assert sum(row["share"] for row in rows) == pytest.approx(1.0)
    assert [row["part"] for row in rows] == [
        "source drift", "meter linearity", "mating", "launch", "resolution",
    ]  # fmt: skip
    result = {
        "kind": "link", "fibre_type": "OS2", "wavelength_nm": 1310, "reference_method": 2,
        "cord_grade": "reference", "direction": "mean", "loss_db": 1.0,
    }  # fmt: skip
    assert uncertainty.of_result(result, JOB) == rows


def test_a_certificate_is_expanded_and_another_meter_gets_the_default() -> None:
    job = replace(JOB, instruments=(Instrument("MA", "meter", uncertainty_db=0.3),))
    serials = pd.Series(["MA", "MB"], dtype="str")
    assert list(uncertainty.calibration(serials, job)) == [0.15, JOB.uncertainty.calibration_db]
