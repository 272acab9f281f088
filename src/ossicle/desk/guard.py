"""Who may talk to the desk: the page that it served itself, in a browser on this machine.

The server listens on loopback alone. A page of another site could still send requests to it (or have its own name
resolve to loopback), so each must name loopback as its host, and each that changes something must carry the token that
stands in the served page. Answers forbid the page to load, or to send, anything from or to elsewhere.
"""

from __future__ import annotations

import hmac
import ipaddress
import json
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

__all__ = ["HEADERS", "TOKEN_HEADER", "Guard", "is_loopback"]

TOKEN_HEADER = "x-ossicle-desk"
HEADERS: dict[str, str] = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; font-src 'self'; worker-src 'self' blob:; manifest-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
_READS = {"GET", "HEAD"}

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]


def is_loopback(host: str) -> bool:
    """Return whether a Host header names this machine by loopback: ``localhost``, ``[::1]:8000``."""
    name = host.strip().lower()
    if name.startswith("["):
        end = name.find("]")
        if end < 0 or (name[end + 1 :] and not _is_port(name[end + 1 :])):
            return False
        name = name[1:end]
    else:
        name, colon, port = name.partition(":")
        if colon and not port.isdigit():
            return False
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _is_port(text: str) -> bool:
    return text.startswith(":") and text[1:].isdigit()


class Guard:
    """Lets through what comes from the desk's own page, and sets the headers of every answer.

    Parameters
    ----------
    app
        The ASGI application within.
    token
        What a request that changes something must carry in `TOKEN_HEADER`.
    """

    def __init__(self, app: App, token: str) -> None:
        self.app, self.token = app, token

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
                return
            await self.app(scope, receive, send)
            return
        given: dict[str, str] = {}
        for key, value in scope["headers"]:
            name = key.decode("latin-1").lower()
            if name == "host" and "host" in given:
                given["host"] = ""  # told twice: neither is believed
                continue
            given[name] = value.decode("latin-1")
        refused = self._refused(scope["method"], given)
        if refused is not None:
            await _refuse(send, *refused)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                known = {key.lower() for key, _ in message.get("headers", [])}
                message["headers"] = [
                    *message.get("headers", []),
                    *((k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in known),
                ]
            await send(message)

        await self.app(scope, receive, with_headers)

    def _refused(self, method: str, given: dict[str, str]) -> tuple[int, str, str] | None:
        if not is_loopback(given.get("host", "")):
            return 421, "the desk answers on this machine's loopback address alone", "open the address it printed"
        site = given.get("sec-fetch-site")
        if method in _READS:
            if site == "cross-site" and given.get("sec-fetch-mode") != "navigate":
                return 403, "another site asked for this", "open the address that the desk printed"
            return None
        origin = given.get("origin")
        if origin is not None and origin.partition("://")[2] != given["host"]:
            return 403, "another site asked for this change", "open the address that the desk printed"
        if site not in (None, "same-origin", "none"):
            return 403, "another site asked for this change", "open the address that the desk printed"
        if not hmac.compare_digest(given.get(TOKEN_HEADER, "").encode(), self.token.encode()):
            return 403, "this page is not the one that the running desk served", "load the page again"
        return None


async def _refuse(send: Send, status: int, what: str, mend: str) -> None:
    body = json.dumps({"what": what, "where": None, "mend": mend}).encode()
    headers = {"content-type": "application/json", "content-length": str(len(body)), **HEADERS}
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": body})
