"""Settings of a job as the rules see them: plain frozen values with their origin.

The job folder's reader validates job.toml and builds these; the rules never read a file.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Window:
    """A nominal wavelength and the stored wavelengths that count as it, in nm."""

    nominal_nm: int
    low_nm: int
    high_nm: int
    mode: str
    """`multimode`, `single-mode` or `any`."""


WINDOWS = (
    Window(850, 830, 870, "multimode"),
    Window(1300, 1270, 1340, "multimode"),
    Window(1310, 1270, 1340, "single-mode"),
    Window(1383, 1374, 1392, "single-mode"),
    Window(1490, 1480, 1500, "single-mode"),
    Window(1550, 1525, 1575, "single-mode"),
    Window(1625, 1610, 1640, "single-mode"),
    Window(953, 940, 966, "multimode"),
)
"""Common practice, no source; a setting."""


@dataclass(frozen=True)
class Instrument:
    """A meter or a source: who it is and how far it can be trusted."""

    serial: str
    kind: str
    """`meter`, `source` or `set` (both in one case)."""
    name: str = ""
    calibrated_on: str = ""
    """ISO date, empty if unknown."""
    due: str = ""
    uncertainty_db: float | None = None
    """Of absolute power, expanded (k = 2) as a calibration certificate states it."""
    minimum_dbm: float | None = None
    maximum_dbm: float | None = None
    wavelengths_nm: tuple[int, ...] = ()


@dataclass(frozen=True)
class Cords:
    """Job default for the test cords; printed as assumed wherever it is used."""

    grade: str = ""
    """`reference`, `standard` or empty (unknown)."""
    reference_method: int = 0
    """Number of test cords at the reference: 1, 2, 3; 0 unknown."""


@dataclass(frozen=True)
class ReferenceRules:
    """When a reference stops being evidence. Values: common practice, no source."""

    evidence: str = "check"
    """Severity where a stored loss has no evidenced reference: `check` or `stop`."""
    warn_hours: float = 4.0
    stop_hours: float = 12.0
    drift_warn_db: float = 0.10
    drift_stop_db: float = 0.20
    agreement_db: float = 0.02
    """Most that stored loss may differ from reference minus power."""


@dataclass(frozen=True)
class Uncertainty:
    """Standard uncertainties in dB that make up a reading's budget (k = 1).

    Engineering defaults, no source; the person in charge replaces them.
    """

    source_drift_db: float = 0.05
    meter_linearity_db: float = 0.03
    mating_single_mode_db: float = 0.07
    mating_multimode_db: float = 0.10
    mating_standard_factor: float = 1.5
    """How much less repeatable the mating of a standard-grade test cord is."""
    launch_multimode_db: float = 0.06
    launch_single_mode_db: float = 0.03
    resolution_db: float = 0.01
    """Full step of the stored value; enters as step / sqrt(12)."""
    calibration_db: float = 0.10
    """Of absolute power; does not enter a loss."""


@dataclass(frozen=True)
class Settings:
    """Everything of job.toml that changes a result."""

    name: str = ""
    customer: str = ""
    site: str = ""
    timezone: str = "UTC"
    limits: tuple[str, ...] = ()
    decision_rule: str = "simple"
    """`simple` or `guarded` (ILAC-G8:09/2019, 4.2.1 and 4.2.3)."""
    coverage_factor: float = 2.0
    guard_factor: float = 1.0
    accepted_grades: tuple[str, ...] = ("pass",)
    directions: str = "a-b"
    """Planned directions of a link whose plan row gives none."""
    direction_rule: str = "each"
    """`each` or `mean`."""
    budget_rule: str = "also"
    """`also` or `instead`."""
    deduction_rule: str = "connection"
    """`connection` or `reference-mating`."""
    pause_minutes: float = 30.0
    """A longer pause between two records of a meter begins a new run."""
    windows: tuple[Window, ...] = WINDOWS
    references: ReferenceRules = field(default_factory=ReferenceRules)
    uncertainty: Uncertainty = field(default_factory=Uncertainty)
    cords: Cords = field(default_factory=Cords)
    instruments: tuple[Instrument, ...] = ()
    operators: tuple[str, ...] = ()
    """People trained for this job; empty: not checked."""
    started_on: str = ""
    """ISO date before which no test can have been made; empty: not checked."""
    thresholds: tuple[tuple[str, float], ...] = ()
    """Overrides of single check thresholds, by the name the check documents."""
    pairing_tolerance: float = 0.001
    """Highest accepted chance that a pair made without asking is wrong."""
    job_labels: tuple[str, ...] = ("REF", "REFERENCE", "CORD", "CHECK", "TEST", "CAL")
    """Labels that never name a link."""
    retest_suffixes: tuple[str, ...] = ("-R", "-RT", "RT", "-2", "R")
    """Endings a crew adds to the label of a retest."""
