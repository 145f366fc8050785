"""The questions that a portfolio asks, as SQL: scans of the Parquet files, then what follows.

A scan reads files and makes a small table; a section reads those tables alone. `$today` and
`$horizon` are ISO days.
"""

from __future__ import annotations

from collections.abc import Mapping

WEAR = ("cord-wear", "cord-check-high", "reference-drift", "level-episode")
"""Codes of findings that speak of the test cords of a run."""
WEAR_DB_PER_MONTH = 0.1
"""A reference level that falls faster than this speaks of cords (or a source) wearing out. Common
practice, no source: a third of what a reference-grade mating may lose, each month."""
TREND_RUNS = 4
"""Fewest runs over which a trend is looked for. Common practice, no source."""
TREND_DAYS = 7
"""Shortest time over which a trend is looked for. Common practice, no source."""
_MONTH_DAYS = 30.4375

SCANS: Mapping[str, tuple[str, str]] = {
    "named": ("job", "SELECT * FROM job"),
    "used": (
        "readings",
        """
        SELECT job, run_id, meter_serial, source_serial, operator, wavelength_nm,
               count(*) AS readings,
               count(*) FILTER (quantity IN ('attenuation', 'power') AND duplicate_of = '')
                   AS results,
               max(taken_at_utc) AS last_at, avg(reference_dbm) AS reference_dbm
        FROM readings GROUP BY ALL
        """,
    ),
    "papers": ("runs", "SELECT * FROM runs"),
    "run": (
        "",
        """
        SELECT u.job, u.run_id,
               coalesce(nullif(any_value(p.people), ''), min(nullif(u.operator, '')), '') AS crew,
               coalesce(nullif(any_value(p.meter_serial), ''),
                        min(nullif(u.meter_serial, '')), '') AS meter,
               coalesce(nullif(any_value(p.source_serial), ''),
                        min(nullif(u.source_serial, '')), '') AS source,
               coalesce(any_value(p.cords), '') AS cords,
               coalesce(any_value(p.cord_grade), '') AS cord_grade,
               sum(u.readings)::BIGINT AS readings, sum(u.results)::BIGINT AS results,
               max(last_at) AS last_at
        FROM used u LEFT JOIN papers p USING (job, run_id)
        GROUP BY u.job, u.run_id
        """,
    ),
    "graded": (
        "grades",
        """
        SELECT kind, fibre_type, wavelength_nm, count(*) AS results,
               count(*) FILTER (margin_db < 0) AS failing, min(margin_db) AS worst_margin_db
        FROM grades WHERE grade NOT IN ('superseded', 'blocked', 'no-limit', 'no-reference')
        GROUP BY ALL
        """,
    ),
    "failing": (
        "grades",
        """
        SELECT DISTINCT job, link_id, grade = 'superseded' AS superseded,
               unnest(regexp_extract_all(reading_ids, '"([^"]*)"', 1)) AS reading_id
        FROM grades WHERE margin_db < 0
        """,
    ),
    "failed": (
        "readings",
        """
        SELECT job, run_id, link_id, superseded, reading_id
        FROM readings JOIN failing USING (job, reading_id)
        """,
    ),
    "symptom": (
        "findings",
        """
        SELECT job, code, severity, link_id, run_id, count(*) AS findings
        FROM findings GROUP BY ALL
        """,
    ),
    "place": ("completion", "SELECT * FROM completion WHERE scope = 'job'"),
    "register": ("instruments", "SELECT * FROM instruments"),
}  # fmt: skip
"""Temporary table to (the table of files it reads, its SELECT), in the order they are made."""

_COUNTS = ("planned", "measured", "accepted", "failed", "doubtful", "no_limit", "blocked", "waived",
           "links_planned", "links_ready")  # fmt: skip
_SUMS = ", ".join(f"coalesce(sum({name}), 0)::BIGINT AS {name}" for name in _COUNTS)
_PERCENT = "100 * (sum(accepted) + sum(waived)) // nullif(sum(planned), 0)"

SECTIONS: Mapping[str, str] = {
    "total": f"""
        SELECT count(*) AS jobs, {_SUMS}, ({_PERCENT})::BIGINT AS percent,
               (SELECT coalesce(sum(readings), 0)::BIGINT FROM used) AS readings
        FROM jobs LEFT JOIN place USING (job)
        """,
    "jobs": f"""
        SELECT name, folder, {_SUMS}, ({_PERCENT})::BIGINT AS percent,
               coalesce(any_value(r.readings), 0)::BIGINT AS readings,
               coalesce(any_value(r.last_at), '') AS last_at
        FROM jobs LEFT JOIN place USING (job)
        LEFT JOIN (SELECT job, sum(readings) AS readings, max(last_at) AS last_at
                   FROM used GROUP BY job) r USING (job)
        GROUP BY job, name, folder ORDER BY percent NULLS FIRST, planned DESC, folder
        """,
    "failures": """
        SELECT kind, fibre_type, wavelength_nm, results, failing,
               round(100.0 * failing / results, 2) AS failing_percent,
               nullif(round(worst_margin_db, 3), 'nan'::DOUBLE) AS worst_margin_db
        FROM graded ORDER BY failing DESC, kind, fibre_type, wavelength_nm
        """,
    "causes": """
        WITH live AS (SELECT DISTINCT job, link_id, run_id FROM failed WHERE NOT superseded),
        met AS (
            SELECT s.code, s.severity, l.job, l.link_id
            FROM symptom s JOIN live l ON s.job = l.job AND s.link_id = l.link_id
            UNION
            SELECT s.code, s.severity, l.job, l.link_id
            FROM symptom s JOIN live l ON s.job = l.job AND s.run_id = l.run_id
            WHERE s.link_id = '' AND s.run_id <> ''
        ),
        counted AS (SELECT code, severity, count(*) AS failing_links FROM met GROUP BY ALL)
        SELECT code, severity, sum(findings)::BIGINT AS findings, count(DISTINCT job) AS jobs,
               coalesce(any_value(failing_links), 0) AS failing_links
        FROM symptom LEFT JOIN counted USING (code, severity)
        GROUP BY code, severity ORDER BY failing_links DESC, findings DESC, code, severity
        """,
    "crews": """
        WITH fails AS (
            SELECT crew, count(DISTINCT (job, reading_id)) AS failing
            FROM failed JOIN run USING (job, run_id) GROUP BY crew
        ),
        found AS (
            SELECT crew, sum(findings)::BIGINT AS findings
            FROM symptom JOIN run USING (job, run_id)
            WHERE severity IN ('stop', 'check') AND run_id <> '' GROUP BY crew
        )
        SELECT crew, count(DISTINCT job) AS jobs, count(DISTINCT (job, run_id)) AS runs,
               count(DISTINCT nullif(left(last_at, 10), '')) AS days,
               sum(readings)::BIGINT AS readings, sum(results)::BIGINT AS results,
               coalesce(any_value(failing), 0) AS failing,
               round(100.0 * coalesce(any_value(failing), 0) / nullif(sum(results), 0), 2)
                   AS failing_percent,
               coalesce(any_value(findings), 0) AS run_findings
        FROM run LEFT JOIN fails USING (crew) LEFT JOIN found USING (crew)
        GROUP BY crew ORDER BY failing_percent DESC NULLS LAST, results DESC, crew
        """,
    "instruments": """
        WITH named AS (
            SELECT job, trim(unnest(string_split(meter, ','))) AS serial, readings, last_at FROM run
            UNION ALL
            SELECT job, trim(unnest(string_split(source, ','))), readings, last_at
            FROM run WHERE source <> meter
        ),
        seen AS (
            SELECT serial, count(DISTINCT job) AS jobs, sum(readings)::BIGINT AS readings,
                   left(max(last_at), 10) AS last_used
            FROM named WHERE serial <> '' GROUP BY serial
        ),
        known AS (
            SELECT serial, arg_max(kind, due) AS kind, arg_max(name, due) AS name, max(due) AS due
            FROM register GROUP BY serial
        )
        SELECT serial, coalesce(kind, '') AS kind, coalesce(name, '') AS name,
               coalesce(due, '') AS due,
               CASE WHEN coalesce(due, '') = '' THEN 'unknown' WHEN due < $today THEN 'overdue'
                    WHEN due <= $horizon THEN 'due' ELSE 'fine' END AS state,
               try_cast(due AS DATE) - $today::DATE AS days_left,
               coalesce(jobs, 0) AS jobs, coalesce(readings, 0) AS readings,
               coalesce(last_used, '') AS last_used,
               coalesce(due <> '' AND last_used > due, false) AS used_after_due
        FROM seen FULL JOIN known USING (serial)
        ORDER BY list_position(['overdue', 'due', 'unknown', 'fine'], state), due, serial
        """,
    "cords": f"""
        WITH levels AS (
            SELECT r.cords, r.source, r.meter, u.wavelength_nm, u.reference_dbm,
                   epoch(try_cast(u.last_at AS TIMESTAMP)) / 86400 AS day
            FROM used u JOIN run r USING (job, run_id)
            WHERE r.cords <> '' AND u.reference_dbm IS NOT NULL AND u.last_at <> ''
        ),
        trends AS (
            SELECT cords, regr_slope(reference_dbm, day) * {_MONTH_DAYS} AS slope
            FROM levels GROUP BY cords, source, meter, wavelength_nm
            HAVING count(*) >= {TREND_RUNS} AND max(day) - min(day) >= {TREND_DAYS}
        ),
        worst AS (SELECT cords, round(min(slope), 3) AS reference_db_per_month
                  FROM trends GROUP BY cords),
        worn AS (
            SELECT r.cords, sum(s.findings)::BIGINT AS wear_findings
            FROM symptom s JOIN run r USING (job, run_id)
            WHERE s.code IN ({", ".join(f"'{code}'" for code in WEAR)}) AND s.run_id <> ''
            GROUP BY r.cords
        )
        SELECT cords, any_value(cord_grade ORDER BY job, run_id) AS cord_grade,
               count(DISTINCT job) AS jobs, count(*) AS runs, sum(results)::BIGINT AS results,
               coalesce(left(max(last_at), 10), '') AS last_used,
               coalesce(any_value(wear_findings), 0) AS wear_findings,
               any_value(reference_db_per_month) AS reference_db_per_month,
               coalesce(any_value(wear_findings), 0) > 0
                   OR coalesce(any_value(reference_db_per_month), 0) < -{WEAR_DB_PER_MONTH}
                   AS wearing
        FROM run LEFT JOIN worst USING (cords) LEFT JOIN worn USING (cords)
        WHERE cords <> '' GROUP BY cords
        ORDER BY wearing DESC, wear_findings DESC, reference_db_per_month NULLS LAST, cords
        """,
}  # fmt: skip
"""Section of the portfolio to its query."""
