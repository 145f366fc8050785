"""`watch` and `listen`: dumps that come by themselves."""

from __future__ import annotations

import signal
import sys
import threading
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from desk import receipt as receipts_out
from desk.terminal import Exit, Json, open_job, say, show_json, show_json_line

if TYPE_CHECKING:
    from ingest.intake import Receipt


def watch(
    poll: Annotated[
        bool, typer.Option("--poll", help="Look on time alone: for a drop folder on a share.")
    ] = False,
    json: Json = False,
) -> None:
    """Take in what is dropped into the job's inbox and what its serial ports send, until stopped.

    A file is taken when it stood still for the settle time of job.toml. Ctrl-C finishes the dump in
    hand, then ends. With --json, one JSON object per line.
    """
    from ingest.watch import Watch

    needs: list[bool] = []

    def show(receipt: Receipt) -> None:
        needs.append(receipt.needs_person)
        if json:
            show_json_line(asdict(receipt) | {"needs_person": receipt.needs_person})
        else:
            say(receipts_out.one_line(receipt))
            sys.stdout.flush()

    def note(text: str) -> None:
        if json:
            show_json_line({"note": text})
        else:
            say(text)
            sys.stdout.flush()

    job = open_job()
    at_work = Watch(job, note, show, poll=poll)
    _stop_on_signals(at_work.stop, at_work.wake)
    note(f"Watching {job.inbox}"
         + "".join(f", {port.port}" for port in job.file.ports) + ". Ctrl-C stops.")  # fmt: skip
    at_work.run()
    counts = ", ".join(f"{count} {word}" for word, count in sorted(at_work.counts.items()))
    note(f"Stopped. Dumps: {counts or 'none came'}.")
    if any(needs):
        raise SystemExit(Exit.PERSON)


def listen(
    port: Annotated[str, typer.Argument(help="COM3, /dev/ttyUSB0, or an address.")] = "",
    list_ports: Annotated[
        bool, typer.Option("--list", help="Show this laptop's ports in words, and end.")
    ] = False,
    speed: Annotated[int, typer.Option(help="Bits per second.")] = 9600,
    bits: Annotated[int, typer.Option(help="Data bits: 5 to 8.")] = 8,
    parity: Annotated[str, typer.Option(help="none, even, odd, mark or space.")] = "none",
    stop_bits: Annotated[int, typer.Option(help="1 or 2.")] = 1,
    flow: Annotated[str, typer.Option(help="none, hardware or software.")] = "none",
    end_mark: Annotated[
        str, typer.Option(help="Text that ends the dump; \\x04 and the like are bytes.")
    ] = "",
    count: Annotated[int, typer.Option(help="Number of lines that end the dump.")] = 0,
    quiet: Annotated[float, typer.Option(help="Seconds of silence that end the dump.")] = 3.0,
    whole: Annotated[
        bool,
        typer.Option("--whole", help="My word: silence or Ctrl-C means that the dump is complete."),
    ] = False,
    profile: Annotated[str, typer.Option(help="Profile whose talk opens the conversation.")] = "",
    json: Json = False,
) -> None:
    """Take one dump from a serial port, or live readings where the profile polls.

    The raw bytes are on the disk before anything looks at them. A capture that ends any other way
    than agreed is kept, marked incomplete, and what can be read is read.
    """
    from ingest import line as lines

    if list_ports or not port:
        found = lines.ports()
        if json:
            show_json(found)
        else:
            say("\n".join(found) or "No serial port found.")
        return
    from pydantic import ValidationError

    from ingest.errors import BadInput, NotNow
    from ingest.jobfile import Port
    from ingest.watch import listen as take_one
    from ingest.watch import setting

    try:
        asked = Port(
            port=port, profile=profile, speed=speed, bits=bits, parity=parity,  # type: ignore[arg-type]
            stop_bits=stop_bits, flow=flow, end_mark=end_mark, count=count, quiet_s=quiet,  # type: ignore[arg-type]
            quiet_is_whole=whole,
        )  # fmt: skip
    except ValidationError as error:
        raise BadInput(
            *(f"{e['loc'][0]}: found {e['input']}; {e['msg']}" for e in error.errors())
        ) from None
    job = open_job()
    stop = threading.Event()
    _stop_on_signals(stop)
    if not json:
        say(f"Listening on {port}. Start the dump on the meter. Ctrl-C stops.")
        sys.stdout.flush()
    with lines.SerialLine(setting(asked)) as line:
        done = take_one(job, asked, line, stop.is_set, stop_is_whole=whole)
    if done is None:
        raise NotNow(f"{port}: nothing came before it was stopped.")
    captured, receipt = done
    if json:
        show_json(asdict(receipt) | {
            "needs_person": receipt.needs_person, "complete": captured.complete,
            "ended": captured.ended,
        })  # fmt: skip
    else:
        say(f"{len(captured.data)} bytes; {captured.why}; "
            + ("complete." if captured.complete else "kept as incomplete."))  # fmt: skip
        receipts_out.tell(receipt)
        receipts_out.todo([receipt])
    if receipt.needs_person or not captured.complete:
        raise SystemExit(Exit.PERSON)


def _stop_on_signals(*events: threading.Event) -> None:
    """Let the first Ctrl-C or request to end set `events`; the second ends at once."""

    def on_signal(number: int, _frame: object) -> None:
        if events[0].is_set():
            raise KeyboardInterrupt
        for event in events:
            # what the signal interrupted may hold the event's own lock: waiting for it would be
            # for ever
            threading.Thread(target=event.set).start()

    for name in ("SIGINT", "SIGTERM", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), on_signal)
