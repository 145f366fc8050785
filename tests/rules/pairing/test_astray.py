"""A panel under another's name, which nobody else claims: only the order of work tells."""

from __future__ import annotations

from rules.pairing import Pairing
from tests.rules.pairing.test_properties import plan_of, run, working_of


def panel(number: int, run_id: str = "R1") -> list[tuple[str, str]]:
    """Return the labels of one panel; one of panel 6 is damaged, so that it is weighed."""
    labels = [f"TR{number}-A-{port:02d}" for port in range(1, 13)]
    return [(run_id, label.replace("TR6-A-06", "TR6-A-O6")) for label in labels]


def asked_of(made: Pairing) -> list[str]:
    """Return the codes of the questions; each must be about all of panel 6 and nothing else."""
    held = made.pairs["status"] == "question"
    assert held.sum() in (0, 24)
    assert not (made.pairs["link_id"].str.startswith("TR6") & held).any()
    return list(made.questions["code"])


def test_a_panel_out_of_order_is_asked_about_while_one_of_like_name_is_unread() -> None:
    made = run(plan_of(panels=8), working_of([*panel(1), *panel(2), *panel(6), *panel(4)]))
    assert asked_of(made) == ["wrong-prefix"]
    assert "TR3-A-01 to TR3-A-12" in made.questions["proposal"].iloc[0]


def test_in_order_the_same_labels_stand() -> None:
    typed = [*panel(1), *panel(2), *panel(5), *panel(6), *panel(7)]
    made = run(plan_of(panels=8), working_of(typed))
    assert asked_of(made) == []
    assert made.pairs["link_id"].str.startswith("TR6").sum() == 24


def test_a_panel_that_was_read_elsewhere_is_not_proposed() -> None:
    typed = [*panel(1), *panel(2), *panel(6), *panel(4), *panel(3, run_id="R2")]
    made = run(plan_of(panels=8), working_of(typed))
    assert asked_of(made) == ["wrong-prefix"]
    assert "TR3" not in made.questions["proposal"].iloc[0]
