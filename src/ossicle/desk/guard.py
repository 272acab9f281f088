"""Who may talk to the desk: the page that it served itself, in the browser of somebody who came in.

The server listens on loopback alone unless it is shared. A page of another site could still send requests to it (or
have its own name resolve to loopback), so each must name the desk as its host, and come with the cookie of somebody who
came in (`ossicle.desk.door`); each that changes something must also carry the token that stands in the served page.
Answers forbid the page to load, or to send, anything from or to elsewhere. Bodies are bounded in size and time.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import json
from collections.abc import Awaitable, Callable, MutableMapping
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from .door import ENTER, LEAVE, STYLE, Door, Session, style
from .sharing import may, role_needed

if TYPE_CHECKING:
    from .persons import Person

__all__ = ["ACTING", "HEADERS", "MOST_BODY", "TOKEN_HEADER", "Guard", "is_loopback"]

ACTING: ContextVar[Person | None] = ContextVar("ACTING", default=None)
"""Who asks, at a shared desk."""
MOST_BODY = 2**20
"""Bytes of a request, at most."""
BODY_S = 30.0
"""Seconds that a request's body may take to come."""

TOKEN_HEADER = "x-ossicle-desk"
HEADERS: dict[str, str] = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; media-src 'self'; font-src 'self'; worker-src 'self' blob:; manifest-src 'self'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(), microphone=(self), geolocation=()",
}
_READS = {"GET", "HEAD"}
_ONCE = {"host", "origin", "content-length", TOKEN_HEADER, "x-forwarded-proto", "sec-fetch-site", "sec-fetch-mode"}
_OPEN = "open the address that the desk printed"

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]


class Refused(Exception):
    """What was asked is refused: an HTTP status, what is wrong, how to mend it."""

    def __init__(self, status: int, what: str, mend: str, headers: dict[str, str] | None = None) -> None:
        super().__init__(what)
        self.status, self.what, self.mend, self.headers = status, what, mend, headers or {}


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
    door
        Who has come in, and who may.
    """

    def __init__(self, app: App, door: Door) -> None:
        self.app, self.door = app, door

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "websocket":  # there are none here
                await send({"type": "websocket.close", "code": 1008})
                return
            await self.app(scope, receive, send)
            return
        given = _headers(scope)
        with_headers = self._with_headers(send)
        try:
            answer = self._stopped(scope, given)
            if answer is None:
                receive = await _whole_body(scope, given, receive)
                answer = await self._at_the_door(scope, given, receive)
        except Refused as refused:
            await _refuse(with_headers, refused)
            return
        if answer is not None:
            await answer(scope, receive, with_headers)
            return
        session: Session = scope["ossicle.session"]
        acting = ACTING.set(None if session.person is None else session.person)
        try:
            await self.app(scope, receive, with_headers)
        finally:
            ACTING.reset(acting)

    def _with_headers(self, send: Send) -> Send:
        more = dict(HEADERS)
        if self.door.sharing is not None:
            more["strict-transport-security"] = "max-age=31536000"

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                known = {key.lower() for key, _ in message.get("headers", [])}
                message["headers"] = [
                    *message.get("headers", []),
                    *((k.encode(), v.encode()) for k, v in more.items() if k.encode() not in known),
                ]
            await send(message)

        return sent

    def _stopped(self, scope: Message, given: dict[str, str]) -> Response | None:
        """Stop what comes to another host or from another page."""
        sharing, host = self.door.sharing, given.get("host", "")
        if sharing is None and not is_loopback(host):
            raise Refused(
                421, "the desk answers on this machine's loopback address alone", "open the address it printed"
            )
        if sharing is not None and not sharing.answers_to(host):
            raise Refused(421, "the desk does not answer to this name", "open the address it printed")
        if sharing is not None and sharing.behind_proxy and given.get("x-forwarded-proto") != "https":
            raise Refused(
                421, "this did not come over TLS", "have the proxy speak TLS and send X-Forwarded-Proto: https"
            )
        site = given.get("sec-fetch-site")
        if scope["method"] in _READS:
            if site in ("cross-site", "same-site") and given.get("sec-fetch-mode") != "navigate":
                raise Refused(403, "another site asked for this", _OPEN)
            return None
        origin = given.get("origin")
        own = f"https://{host}" if sharing is not None else f"http://{host}"
        if origin is not None and origin.lower() != own.lower():
            raise Refused(403, "another site asked for this change", _OPEN)
        if site not in (None, "same-origin", "none"):
            raise Refused(403, "another site asked for this change", _OPEN)
        return None

    async def _at_the_door(self, scope: Message, given: dict[str, str], receive: Receive) -> Response | None:
        """Let in, or answer; where None is returned, ``ossicle.session`` of the scope is set."""
        door, method, path, host = self.door, scope["method"], str(scope["path"]), given.get("host", "")
        address = self._address(scope, given)
        if method in _READS:
            if path.startswith("/assets/"):  # the program and its letters, the same for all
                scope["ossicle.session"] = Session("", 0.0)
                return None
            if path == STYLE:
                return style()
            if path == "/":
                entered = door.opened(scope.get("query_string", b""), host)
                if entered is not None:
                    return entered
        cookies = given.get("cookie", "")
        session = await run_in_threadpool(door.session, cookies, host)
        if door.sharing is not None and path == ENTER:
            if method == "POST":
                body = (await receive())["body"]
                return await run_in_threadpool(door.signed_in, body, host, address)
            return door.asked()
        wait = 0.0
        if door.sharing is not None:
            key = f"address {address}" if session is None or session.person is None else f"name {session.person.name}"
            wait = door.requests.wait(key)
        if wait:
            raise Refused(429, "too much was asked at once", "wait a moment", {"retry-after": str(int(wait) + 1)})
        if session is None:
            if method in _READS and not path.startswith("/api/"):
                return door.asked() if door.sharing is None else RedirectResponse(ENTER, status_code=303)
            raise Refused(401 if door.sharing is not None else 403, "nobody has come in here", _OPEN)
        if method not in _READS:
            if not hmac.compare_digest(given.get(TOKEN_HEADER, "").encode(), session.token.encode()):
                raise Refused(403, "this page is not the one that the running desk served", "load the page again")
            if path == LEAVE:
                return door.left(cookies, host)
        if not may(session.role, method, path):
            needed = role_needed(method, path) or "manage"
            raise Refused(403, f"this asks for the role {needed!r}, and yours is {session.role!r}", "ask who manages")
        scope["ossicle.session"] = session
        return None

    def _address(self, scope: Message, given: dict[str, str]) -> str:
        """Return where a request comes from: as the stated proxy says, else as the connection does."""
        if self.door.sharing is not None and self.door.sharing.behind_proxy:
            return given.get("x-forwarded-for", "").rpartition(",")[2].strip()[:60]
        client = scope.get("client")
        return str(client[0]) if client else ""


def _headers(scope: Message) -> dict[str, str]:
    given: dict[str, str] = {}
    for key, value in scope["headers"]:
        name = key.decode("latin-1").lower()
        if name in _ONCE and name in given:
            given[name] = "\0"  # told twice: neither is believed
            continue
        given[name] = value.decode("latin-1")
    return given


async def _whole_body(scope: Message, given: dict[str, str], receive: Receive) -> Receive:
    """Take the whole of a request's body in, within bounds of size and time; return a way to receive it again."""
    if scope["method"] in _READS:
        return receive
    too_long = Refused(413, f"more than {MOST_BODY // 2**20} MB was sent", "send less; scans are chosen, not sent")
    length = given.get("content-length", "0")
    if not length.isdigit() or int(length) > MOST_BODY:
        raise too_long
    parts, size = [], 0
    try:
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] == "http.disconnect":
                    raise Refused(400, "the request broke off", "send it again")
                size += len(message.get("body", b""))
                if size > MOST_BODY:
                    raise too_long
                parts.append(message.get("body", b""))
                if not message.get("more_body", False):
                    break
    except TimeoutError:
        raise Refused(408, f"the request took more than {BODY_S:.0f} s to come", "send it again") from None
    held: list[Message] = [{"type": "http.request", "body": b"".join(parts), "more_body": False}]

    async def again() -> Message:
        return held.pop() if held else await receive()

    return again


async def _refuse(send: Send, refused: Refused) -> None:
    body = json.dumps({"what": refused.what, "where": None, "mend": refused.mend}).encode()
    headers = {"content-type": "application/json", "content-length": str(len(body)), **refused.headers}
    await send(
        {
            "type": "http.response.start",
            "status": refused.status,
            "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": body})
