"""What stands before every request: host, origin, session, size; and the headers behind it.

Binding to loopback does not stop another site's script: a name it controls can be made to point at
127.0.0.1 (DNS rebinding), so the Host header decides, and a session that only the opened address
gives.
"""

from __future__ import annotations

from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from desk.page.door import Door

COOKIE = "glasstally"
OPEN = ("/enter", "/static/")
"""Paths that need no session: the door, and the stylesheet it is drawn with."""
MOST_UPLOAD_BYTES = 256 * 1024 * 1024
MOST_FORM_BYTES = 1024 * 1024
UPLOAD_PATHS = ("/intake", "/plan")
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
SAFE = ("GET", "HEAD")


class TooLarge(Exception):
    """The body of a request is larger than it may be."""


class Guard:
    """Refuse what does not come from our own page in a browser that was let in."""

    def __init__(self, app: ASGIApp, *, door: Door, hosts: Iterable[str]) -> None:
        self.app = app
        self.door = door
        self.hosts = frozenset(host.lower() for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request and hand it on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        headers, path, method = Headers(scope=scope), scope["path"], scope["method"]
        host = headers.get("host", "").lower()
        refusal: PlainTextResponse | RedirectResponse | None = None
        if host not in self.hosts:
            refusal = _no(421, "This address does not belong to this page.")
        elif method not in SAFE and not _same_origin(headers, scope["scheme"], host):
            refusal = _no(403, "This form was not sent from this page.")
        else:
            visitor = self.door.visitor(_cookie(headers))
            scope.setdefault("state", {})["visitor"] = visitor
            if visitor is None and not path.startswith(OPEN):
                refusal = self._stranger(method)
        if refusal is not None:
            await refusal(scope, receive, sending)
            return
        most = MOST_UPLOAD_BYTES if path.startswith(UPLOAD_PATHS) else MOST_FORM_BYTES
        if _declared(headers) > most:
            await _no(413, "That is more than this page takes at once.")(scope, receive, sending)
            return
        started = False

        async def watched(message: Message) -> None:
            nonlocal started
            started = True
            await sending(message)

        try:
            await self.app(scope, _counted(receive, most), watched)
        except TooLarge:
            if not started:
                await _no(413, "That is more than this page takes at once.")(
                    scope, receive, sending
                )

    def _stranger(self, method: str) -> PlainTextResponse | RedirectResponse:
        if method in SAFE:
            return RedirectResponse("/enter", status_code=303)
        return _no(403, "Open the address that the terminal printed, then send the form again.")


def _no(status: int, text: str) -> PlainTextResponse:
    return PlainTextResponse(text + "\n", status_code=status)


def _same_origin(headers: Headers, scheme: str, host: str) -> bool:
    """Tell whether a browser sent the request from our own page; without proof it did not."""
    origin = headers.get("origin")
    if origin is not None:
        return origin.lower() == f"{scheme}://{host}"
    return headers.get("sec-fetch-site") == "same-origin"


def _cookie(headers: Headers) -> str:
    try:
        jar = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return jar[COOKIE].value if COOKIE in jar else ""


def _declared(headers: Headers) -> int:
    length = headers.get("content-length", "0")
    return int(length) if length.isdecimal() else 0


def _counted(receive: Receive, most: int) -> Receive:
    """Count what really arrives; a declared length proves nothing."""
    seen = 0

    async def counting() -> Message:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > most:
                raise TooLarge
        return message

    return counting
