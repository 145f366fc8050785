"""Thresholds of the checks: name, value, unit and where the value comes from."""

from __future__ import annotations

from dataclasses import dataclass

PRACTICE = "common practice, no source"
STATISTICS = "chosen so that chance alone gives less than one false alarm in a large job"
TYPICAL = "typical of such fibre, from memory; maximum values stand in the limit sets"


@dataclass(frozen=True)
class Threshold:
    """A number that a check compares with; a job overrides it by its name."""

    value: float
    unit: str
    meaning: str
    origin: str = PRACTICE


THRESHOLDS: dict[str, Threshold] = {
    # what a sound link loses
    "typical_850_db_km": Threshold(2.3, "dB/km", "multimode fibre at 850 nm", TYPICAL),
    "typical_953_db_km": Threshold(1.7, "dB/km", "multimode fibre at 953 nm", TYPICAL),
    "typical_1300_db_km": Threshold(0.5, "dB/km", "multimode fibre at 1300 nm", TYPICAL),
    "typical_1310_db_km": Threshold(0.33, "dB/km", "single-mode fibre at 1310 nm", TYPICAL),
    "typical_1383_db_km": Threshold(0.30, "dB/km", "single-mode fibre at 1383 nm", TYPICAL),
    "typical_1490_db_km": Threshold(0.21, "dB/km", "single-mode fibre at 1490 nm", TYPICAL),
    "typical_1550_db_km": Threshold(0.19, "dB/km", "single-mode fibre at 1550 nm", TYPICAL),
    "typical_1625_db_km": Threshold(0.21, "dB/km", "single-mode fibre at 1625 nm", TYPICAL),
    "typical_connection_db": Threshold(0.20, "dB", "a clean mated pair"),
    "typical_splice_db": Threshold(0.05, "dB", "a fusion splice"),
    # clocks
    "clock_sheet_min": Threshold(20.0, "min", "clock against the times on the run sheet"),
    "clock_backwards_s": Threshold(60.0, "s", "record later in the memory, earlier by the clock"),
    "clock_day_order_days": Threshold(25.0, "d", "shortest gap that a day-month mix-up makes"),
    "pace_warn_s": Threshold(10.0, "s", "shortest time between two labels"),
    "pace_doubt_s": Threshold(5.0, "s", "time between two labels in which nobody moves a cord"),
    "pace_share": Threshold(0.05, "1", "share of a run's steps that may be fast"),
    # instruments
    "calibration_months": Threshold(
        12.0, "months", "interval where the register gives no due date",
        "yearly by usual contract; ISO/IEC 17025 leaves it to the owner (from memory)",
    ),
    # references
    "references_equal_db": Threshold(0.01, "dB", "references of two wavelengths this alike"),
    "cord_reference_multimode_db": Threshold(
        0.10, "dB", "reference-grade cord to cord, multimode",
        "ISO/IEC 14763-3 reference-grade mating, from memory",
    ),
    "cord_reference_single_mode_db": Threshold(
        0.20, "dB", "reference-grade cord to cord, single-mode",
        "ISO/IEC 14763-3 reference-grade mating, from memory",
    ),
    "cord_standard_db": Threshold(0.50, "dB", "ordinary cord to cord"),
    # other tests with a power meter
    "power_loss_db": Threshold(1.0, "dB", "sent less received power against the link's loss"),
    "splitter_spread_db": Threshold(1.5, "dB", "between the outputs of one splitter"),
    # series
    "step_db": Threshold(0.20, "dB", "change of level inside a run"),
    "step_score": Threshold(6.0, "1", "strength of a change of level", STATISTICS),
    "step_records": Threshold(4.0, "records", "fewest records on each side of a change"),
    "warming_min": Threshold(15.0, "min", "time after a reference in which a source settles"),
    "warming_db": Threshold(0.10, "dB", "drift within that time"),
    "trend_db": Threshold(0.20, "dB", "drift over a run"),
    "drift_chance": Threshold(1e-3, "1", "chance of so steep a start (Student's t)", STATISTICS),
    "trend_chance": Threshold(1e-6, "1", "chance of so steep a run (Student's t)", STATISTICS),
    "drift_records": Threshold(6.0, "records", "fewest records in which a drift is sought"),
    "wear_db_per_100": Threshold(0.10, "dB", "rise of loss over a hundred matings"),
    "wear_chance": Threshold(1e-4, "1", "chance of so steep a rise (Student's t)", STATISTICS),
    "wear_runs": Threshold(8.0, "runs", "fewest runs of a meter in which wear is sought"),
    # wavelengths
    "alike_db": Threshold(0.02, "dB", "loss at two wavelengths this alike"),
    "alike_share": Threshold(0.80, "1", "share of the long links of a run"),
    "alike_multimode_m": Threshold(300.0, "m", "length from which wavelengths must differ"),
    "alike_single_mode_m": Threshold(3000.0, "m", "length from which wavelengths must differ"),
    "alike_links": Threshold(5.0, "links", "fewest long links that show it"),
    "inversion_warn_db": Threshold(0.20, "dB", "1300 nm above 850 nm on multimode"),
    "inversion_stop_db": Threshold(0.50, "dB", "1300 nm above 850 nm on multimode"),
    "swapped_share": Threshold(0.50, "1", "share of a run's links turned round"),
    "bend_db": Threshold(0.15, "dB", "excess at 1550 nm over 1310 nm, lengths allowed for",
                         "two readings good to 0.1 dB each; sign of bending after ITU-T G.657"),
    "bend_score": Threshold(4.0, "1", "how far outside the cable's other links", STATISTICS),
    # values
    "negative_warn_db": Threshold(0.0, "dB", "loss below this, one-cord reference"),
    "negative_stop_db": Threshold(-0.10, "dB", "loss below this, one-cord reference"),
    "negative_cords_warn_db": Threshold(-0.10, "dB", "the same, two or three cords"),
    "negative_cords_stop_db": Threshold(-0.30, "dB", "the same, two or three cords"),
    "physics_share": Threshold(0.70, "1", "least share of the fibre's own typical loss"),
    "physics_least_db": Threshold(0.30, "dB", "fibre loss from which that is judged"),
    "power_as_loss_db": Threshold(-3.0, "dB", "median of a run that must be power"),
    "sign_share": Threshold(0.90, "1", "share of negative values in a run"),
    "decimal_factor": Threshold(8.0, "1", "values so many times the expected"),
    "coarse_share": Threshold(0.95, "1", "share of values on whole steps of 0.1 dB"),
    "coarse_values": Threshold(20.0, "values", "fewest values that show it"),
    "stuck_records": Threshold(4.0, "records", "equal values one after the other"),
    "stuck_all_records": Threshold(3.0, "records", "the same at every wavelength"),
    "stuck_chance": Threshold(0.01, "1", "expected number of such rows by chance", STATISTICS),
    "digits_on": Threshold(0.0, "0 or 1", "look at last digits; for the supervisor alone"),
    "digits_values": Threshold(50.0, "values", "fewest values for that"),
    "digits_chance": Threshold(0.001, "1", "chance below which it is named"),
    # cables
    "outlier_score": Threshold(4.0, "1", "robust z inside a cable; connectors have a long tail"),
    "outlier_db": Threshold(0.20, "dB", "least distance from the cable's median"),
    "group_links": Threshold(8.0, "links", "fewest links with a spread worth naming"),
    "cable_shift_db": Threshold(0.30, "dB", "median of a cable against the expected loss"),
    "run_shift_db": Threshold(0.30, "dB", "median of a run against the same links elsewhere"),
    "position_db": Threshold(0.30, "dB", "a tube or group of twelve against its cable"),
    "half_power_low_db": Threshold(2.8, "dB", "modulated light read as half its power"),
    "half_power_high_db": Threshold(3.2, "dB", "modulated light read as half its power"),
    "poor_db": Threshold(0.50, "dB", "loss above the expected on a link that passes"),
    # directions
    "directions_warn_db": Threshold(0.30, "dB", "difference of the two directions"),
    "directions_strong_db": Threshold(0.50, "dB", "difference of the two directions"),
    "identical_share": Threshold(0.20, "1", "links equal both ways at every wavelength"),
    "identical_links": Threshold(12.0, "links", "fewest links that show it"),
    "core_db": Threshold(1.5, "dB", "difference of directions all through a run"),
    "doubled_share": Threshold(0.50, "1", "links of a run tested twice the same way"),
    # lengths
    "length_share": Threshold(0.10, "1", "measured against planned length"),
    "length_m": Threshold(5.0, "m", "measured against planned length"),
    "length_unit_low": Threshold(3.0, "1", "ratio of feet to metres, lower bound"),
    "length_unit_high": Threshold(3.5, "1", "ratio of feet to metres, upper bound"),
    "length_scope_m": Threshold(
        2000.0, "m", "multimode length beyond the usual scope", "IEC 61280-4-1, scope"
    ),
    "length_default_links": Threshold(24.0, "links", "links of several cables with one length"),
    # retests and verdicts
    "tries": Threshold(2.0, "readings", "readings of one planned test"),
    "missing_share": Threshold(0.50, "1", "share of a cable that has what others lack"),
    # sources
    "source_level_db": Threshold(0.10, "dB", "change of the source's own level since reference"),
}  # fmt: skip
