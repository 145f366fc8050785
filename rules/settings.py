"""Settings of a job as the rules see them: plain frozen values with their origin.

The job folder's reader validates job.toml and builds these; the rules never read a file.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Window:
    """A nominal wavelength and the stored wavelengths that count as it, in nm."""

    nominal_nm: int
    """The window's name."""
    low_nm: int
    """Shortest stored wavelength that counts as it."""
    high_nm: int
    """Longest stored wavelength that counts as it."""
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
    """As the instrument prints it into its dumps."""
    kind: str
    """`meter`, `source` or `set` (both in one case)."""
    name: str = ""
    """How people call it."""
    calibrated_on: str = ""
    """ISO date, empty if unknown."""
    due: str = ""
    """ISO date of the next calibration, empty if unknown."""
    uncertainty_db: float | None = None
    """Of absolute power, expanded (k = 2) as a calibration certificate states it."""
    minimum_dbm: float | None = None
    """Lowest power that a meter measures, or a source gives through a clean cord."""
    maximum_dbm: float | None = None
    """Highest power that a meter measures, or a source gives."""
    wavelengths_nm: tuple[int, ...] = ()
    """Wavelengths on its calibration certificate; empty: not checked."""


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
    """An older reference is a `check`."""
    stop_hours: float = 12.0
    """An older reference is a `stop`."""
    drift_warn_db: float = 0.10
    """A closing check further from 0 is a `check`."""
    drift_stop_db: float = 0.20
    """A closing check further from 0 is a `stop`."""
    agreement_db: float = 0.02
    """Most that stored loss may differ from reference minus power."""


@dataclass(frozen=True)
class Uncertainty:
    """Standard uncertainties in dB that make up a reading's budget (k = 1).

    Engineering defaults, no source; the person in charge replaces them.
    """

    source_drift_db: float = 0.05
    """Of the source between two references."""
    meter_linearity_db: float = 0.03
    """Of the meter between the two levels."""
    mating_single_mode_db: float = 0.07
    """Repeatability of one single-mode mating."""
    mating_multimode_db: float = 0.10
    """Repeatability of one multimode mating."""
    mating_standard_factor: float = 1.5
    """How much less repeatable the mating of a standard-grade test cord is."""
    launch_multimode_db: float = 0.06
    """Of the launch condition, multimode."""
    launch_single_mode_db: float = 0.03
    """Of the launch condition, single-mode."""
    resolution_db: float = 0.01
    """Full step of the stored value; enters as step / sqrt(12)."""
    calibration_db: float = 0.10
    """Of absolute power; does not enter a loss."""


@dataclass(frozen=True)
class Settings:
    """Everything of job.toml that changes a result."""

    name: str = ""
    """The job, as documents print it."""
    customer: str = ""
    """Who the record is for."""
    site: str = ""
    """Where the links are."""
    timezone: str = "UTC"
    """Zone of the meters' clocks, an IANA name."""
    limits: tuple[str, ...] = ()
    """Limits that every link is graded against; the strictest decides."""
    decision_rule: str = "simple"
    """`simple` or `guarded` (ILAC-G8:09/2019, 4.2.1 and 4.2.3)."""
    coverage_factor: float = 2.0
    """k of the expanded uncertainty U = k·u."""
    guard_factor: float = 1.0
    """r of the guard band w = r·U, where the rule is `guarded`."""
    accepted_grades: tuple[str, ...] = ("pass",)
    """Grades that count as done."""
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
    """Stored wavelengths that count as a nominal one."""
    references: ReferenceRules = field(default_factory=ReferenceRules)
    """When a reference stops being evidence."""
    uncertainty: Uncertainty = field(default_factory=Uncertainty)
    """What makes up the uncertainty of a reading."""
    cords: Cords = field(default_factory=Cords)
    """Test cords where no run sheet says so; printed as assumed."""
    instruments: tuple[Instrument, ...] = ()
    """Meters and sources of this job."""
    operators: tuple[str, ...] = ()
    """People trained for this job; empty: not checked."""
    started_on: str = ""
    """ISO date before which no test can have been made; empty: not checked."""
    thresholds: tuple[tuple[str, float], ...] = ()
    """Overrides of single check thresholds, by the name the check documents."""
    pairing_tolerance: float = 0.001
    """Highest accepted share of wrong pairs among those made without asking."""
    job_labels: tuple[str, ...] = ("REF", "REFERENCE", "CORD", "CHECK", "TEST", "CAL")
    """Labels that never name a link."""
    retest_suffixes: tuple[str, ...] = ("-R", "-RT", "RT", "-2", "R")
    """Endings a crew adds to the label of a retest."""
