"""Tell open pages that the store has changed: server-sent events (WHATWG HTML, 9.2)."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import suppress

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import StreamingResponse
from starlette.routing import Route

from desk.page import ports
from desk.page.office import Office
from desk.page.show import office_of
from ingest.errors import Trouble

LOOK_SECONDS = 0.7
BEAT_LOOKS = 15
"""A comment is sent after this many looks without news, so that a dead line is noticed."""


def events(request: Request) -> StreamingResponse:
    """Send the mark of the store, and that of the serial ports, whenever one changes."""
    office = office_of(request)

    async def stream() -> AsyncIterator[str]:
        last, quiet = "", 0
        while not office.ending():
            state = await run_in_threadpool(_state, office)
            if state != last:
                last, quiet = state, 0
                yield f"event: state\ndata: {state}\n\n"
            else:
                quiet += 1
                if quiet % BEAT_LOOKS == 0:
                    yield ": still here\n\n"
            await asyncio.sleep(LOOK_SECONDS)

    return StreamingResponse(stream(), media_type="text/event-stream")


def _state(office: Office) -> str:
    with suppress(Trouble):  # a wrong job.toml is said by the pages
        office.catch_up()
    return json.dumps(
        {
            "mark": office.mark(), "behind": office.ahead.behind(), "busy": office.busy(),
            "ports": ports.sign(office),
        }
    )  # fmt: skip


ROUTES = [Route("/events", events)]
