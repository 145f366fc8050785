"""Words and numbers on the page: templates, filters, and what stands at the head of each page."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import HTMLResponse

from desk.page.door import Visitor
from desk.page.figures import Figures
from desk.page.office import Office, Reader
from reports import numbers

WAYS = (
    ("/", "Board"),
    ("/panels", "Panels"),
    ("/questions", "Questions"),
    ("/intake", "Intake"),
    ("/retests", "To do"),
    ("/sheets", "Run sheets"),
    ("/papers", "Decisions"),
    ("/quality", "Quality"),
    ("/handover", "Handover"),
)
"""Address and name of every page in the head."""
MOST_FORM_FIELDS = 80


def office_of(request: Request) -> Office:
    """Return what the pages share."""
    office: Office = request.app.state.office
    return office


def visitor_of(request: Request) -> Visitor:
    """Return who sits at this browser; the guard let nobody else in."""
    visitor: Visitor = request.state.visitor
    return visitor


def page(
    request: Request,
    template: str,
    /,
    *,
    here: str = "",
    status: int = 200,
    figures: Figures[Any] | None = None,
    **context: Any,
) -> HTMLResponse:
    """Render a page with its head: the ways with their counts, and what there is to say.

    Where `figures` are of an earlier state, the page says so and carries their mark.
    """
    office, visitor = office_of(request), visitor_of(request)
    said = list(visitor.words)
    if "x-part" not in request.headers:
        # a page that stands open shows what is said late, and leaves it for the next page
        visitor.words = visitor.words[len(said) :]
    office.catch_up()
    job = office.job()
    zone = ZoneInfo(job.file.timezone)
    counts = office.read("counts", _counts)
    mark = office.mark()
    shown = figures.mark if figures else mark
    text = ENVIRONMENT.get_template(template).render(
        context
        | {
            "job_name": job.file.name,
            "zone": zone,
            "visitor": visitor,
            "here": here,
            "mark": shown,
            "behind": shown != mark,
            "ways": [(path, word, counts.get(path, 0)) for path, word in WAYS],
            "said": said,
            "trouble": office.trouble,
            "busy": office.busy(),
        }
    )
    return HTMLResponse(text, status_code=status)


def part(template: str, **context: Any) -> Markup:
    """Render a piece of a page that is the same for every visitor."""
    return Markup(ENVIRONMENT.get_template(template).render(context))


def _counts(read: Reader) -> dict[str, int]:
    return {
        "/questions": int(
            read.one("SELECT count(*) FROM derived_questions WHERE state = 'open'") or 0
        ),
        "/intake": int(
            read.one("SELECT count(*) FROM dump WHERE state != 'taken' AND aside = 0") or 0
        ),
    }


def decibels(value: float | None, digits: int = 2, signed: bool = False) -> str:
    """Write a value in dB or dBm; a dash where there is none."""
    return numbers.decibel(float("nan") if value is None else value, digits, signed=signed)


def digits(loss: float | None, limit: float | None, uncertainty: float | None = None) -> int:
    """Tell how many digits a loss and its limit need so that they agree with the grade."""
    nan = float("nan")
    return int(
        numbers.places(
            [nan if loss is None else loss],
            [nan if limit is None else limit],
            [nan if uncertainty is None else uncertainty],
        )[0]
    )


def metres(length: float | None) -> str:
    """Write a length in metres without its unit."""
    return numbers.lengths([float("nan") if length is None else length])[0]


def prose(words: str) -> Markup:
    """Write a sentence in which `…` names a command."""
    parts = words.split("`")
    if len(parts) % 2 == 0:
        return escape(words)
    return Markup("").join(
        Markup("<code>{}</code>").format(part) if place % 2 else escape(part)
        for place, part in enumerate(parts)
    )


def moment(text: str, zone: ZoneInfo, form: str = "%Y-%m-%d %H:%M") -> str:
    """Write an ISO UTC time in the job's zone; a dash where there is none."""
    if not text:
        return numbers.ABSENT
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return text
    return at.replace(tzinfo=at.tzinfo or UTC).astimezone(zone).strftime(form)


def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "db": decibels, "count": numbers.count, "metres": metres, "moment": moment,
        "prose": prose,
        "way": lambda direction: {"a-b": "A → B", "b-a": "B → A"}.get(direction, direction),
    }  # fmt: skip
    made.globals |= {"digits": digits, "absent": numbers.ABSENT}
    return made


ENVIRONMENT = _environment()
