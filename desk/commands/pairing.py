"""`worklist` and `pairing fit`: what helps the pairing before and after the work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Annotated, Any

import typer

from desk.terminal import By, Json, open_job, say, show_json

CAUTION = (
    "Invisible laser light can injure eyes: never look into a fibre or connector, switch sources "
    "off first. Fibre ends are glass shards. Follow the site's rules."
)

fitting = typer.Typer(no_args_is_help=True, help="How readings are paired with links.")


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("worklist")(worklist)
    app.add_typer(fitting, name="pairing")


def worklist(
    panel: Annotated[str, typer.Option("--panel", help="Only this panel.")] = "",
    everything: Annotated[
        bool, typer.Option("--all", help="Also links whose tests are all accepted.")
    ] = False,
    json: Json = False,
) -> None:
    """Print the sheet before testing: label to type, ports in order, boxes for what happens."""
    from ingest import views

    job = open_job()
    rows = _rows(job, panel, everything)
    if json:
        show_json(rows)
        return
    if not rows:
        where = f" at panel {panel}" if panel else ""
        say(f"Nothing to test{where}.")
        return
    say(f"Worklist: {views.status(job)['name']}")
    say(CAUTION)
    say("Date ____________   People ______________________   Meter ___________   "
        "Source ___________")  # fmt: skip
    say("Type the whole label at the first port of each panel; at the last port check that label "
        "and port agree.")  # fmt: skip
    for name, group in groupby(rows, key=lambda r: r["panel"]):
        members = list(group)
        say(f"\nPanel {name}   meter at end ___   reference at ____ h: "
            + "   ".join(f"{nm} nm ________ dBm" for nm in _wavelengths(members)))  # fmt: skip
        width = max(len(row["label"]) for row in members)
        for row in members:
            say(f"  {row['port']:>5}  {row['label']:<{width}}  to {row['far_end']}  "
                f"{row['wavelengths']} nm  {row['directions']}  [ ] done  [ ] skipped")  # fmt: skip
        say("  closing check: "
            + "   ".join(f"{nm} nm ________ dB" for nm in _wavelengths(members)))  # fmt: skip


def _wavelengths(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    return sorted({nm for row in rows for nm in row["wavelengths"].split()}, key=int)


def _rows(job: Any, panel: str, everything: bool) -> list[dict[str, Any]]:
    """Return links by panel and port, each with its tests that are planned or still open."""
    from ingest import blocks, current, planload, store
    from rules import ends, planned

    current.ensure(job)
    with store.reader(job.store) as connection:
        links = planload.newest(connection)[1]
        test = ("link_id", "wavelength_nm", "direction")
        states = blocks.frame(connection, "test_states", (*test, "state"))
    left = states.loc[~states["state"].isin(("accepted", "waived"))]
    open_ = {(link, int(nm), way) for link, nm, way in zip(*(left[n] for n in test), strict=True)}
    tests = planned.expand(links, job.settings)
    table = links.assign(
        panel=ends.panel(links["a_end"]), port=ends.port(links["a_end"]),
        walk=ends.walk_key(links["a_end"]),
    )  # fmt: skip
    wanted: dict[str, list[tuple[int, str]]] = {}
    for link, nm, way in zip(tests["link_id"], tests["wavelength_nm"], tests["direction"],
                             strict=True):  # fmt: skip
        if everything or (link, int(nm), way) in open_:
            wanted.setdefault(link, []).append((int(nm), way))
    rows = []
    for row in table.sort_values(["panel", "walk", "position"], kind="stable").to_dict("records"):
        if row["link_id"] not in wanted or (panel and row["panel"] != panel):
            continue
        todo = wanted[row["link_id"]]
        rows.append(
            {
                "panel": row["panel"], "port": row["port"], "label": row["link_id"],
                "far_end": row["b_end"], "kind": row["kind"],
                "wavelengths": " ".join(str(nm) for nm in sorted({nm for nm, _ in todo})),
                "directions": " ".join(sorted({way for _, way in todo if way})),
            }
        )  # fmt: skip
    return rows


@fitting.command("fit")
def fit(by: By = "", json: Json = False) -> None:
    """Fit rates and confidence to this job's readings and plan; journal the values."""
    from ingest.fitting import fit_pairing

    values = fit_pairing(open_job(), by)
    if json:
        show_json(values)
        return
    say("Fitted and journalled; from now on readings are paired with:")
    for name, words in (
        ("skip", "a port is passed over"), ("retest", "a fibre is measured again at once"),
        ("slip", "the label counter slips"), ("slip_after_skip", "it slips at a skipped port"),
    ):  # fmt: skip
        say(f"  {name:<16}{values[name]:.4f}  {words}")
