"""The outermost layer: security headers on every answer, and a limit on what a request may carry.

Plain ASGI, so that an event stream passes through untouched.
"""

from __future__ import annotations

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.api.problems import problem

LARGEST_BODY = 64 * 1024

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
        "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # same-origin and not "no-referrer": the latter makes browsers send `Origin: null` with our own forms
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class Guard:
    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started = too_long = False
        taken = 0

        async def send_with_headers(message: Message) -> None:
            nonlocal started
            if too_long and not started:
                return  # what the app makes of a cut-off body is not the answer
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if "cache-control" not in headers:
                    headers["Cache-Control"] = "no-store"
            await send(message)

        async def receive_some() -> Message:
            nonlocal taken, too_long
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > LARGEST_BODY:
                too_long = True
                return {"type": "http.disconnect"}
            return message

        if _declared_length(Headers(scope=scope)) > LARGEST_BODY:
            too_long = True
        else:
            await self._app(scope, receive_some, send_with_headers)
        if too_long and not started:
            too_long = False
            await problem(413, headers={"Connection": "close"})(scope, receive, send_with_headers)


def _declared_length(headers: Headers) -> int:
    text = headers.get("content-length", "0")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else LARGEST_BODY + 1
