"""The way in to the desk: the key in the first link, or a person's password; then a cookie that no script can read.

The key is new at every start. Whoever opens the link that carries it is sent on to the page with a cookie (HttpOnly,
SameSite); the link itself leaves no key in the page's address. The page in turn holds a token of its own, which a
request that changes something must carry beside the cookie: a page of another origin can send the cookie along but
cannot know the token. Sessions live in memory and end with the server, or after twelve hours.
"""

from __future__ import annotations

import hmac
import html
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from starlette.responses import HTMLResponse, RedirectResponse, Response

from .sharing import Rates, Sharing

if TYPE_CHECKING:
    from .persons import Person, Persons

__all__ = ["ENTER", "LEAVE", "STYLE", "Door", "Session", "style"]

ENTER, LEAVE, STYLE = "/enter", "/leave", "/enter.css"
_HOURS = 12
_MOST_SESSIONS = 1000
_CSS = """
:root{color-scheme:light dark;font:1rem/1.5 system-ui,sans-serif}
body{max-width:26rem;margin:12vh auto;padding:0 1rem}
h1{font-size:1.3rem}
label{display:block;margin:.8rem 0 .2rem}
input{font:inherit;width:100%;box-sizing:border-box;padding:.4rem}
button{font:inherit;margin-top:1.1rem;padding:.4rem 1.2rem}
.said{border-left:.25rem solid;padding-left:.7rem}
.small{font-size:.85rem}
"""


@dataclass(frozen=True)
class Session:
    """Somebody who came in. ``person`` is None at a desk of one's own.

    ``token`` is what changes must carry; ``ends`` a moment of the clock.
    """

    token: str
    ends: float
    person: Person | None = None

    @property
    def role(self) -> str:
        """What they may do."""
        return "manage" if self.person is None else self.person.role


class Door:
    """Who has come in, and who may.

    Parameters
    ----------
    token
        The page's token at a desk of one's own; a new one where None. At a shared desk each session has its own.
    key
        The secret of the first link; a new one where None.
    sharing, persons
        How the desk is shared, and with whom; both None for a desk of one's own.
    """

    def __init__(
        self,
        token: str | None = None,
        key: str | None = None,
        *,
        sharing: Sharing | None = None,
        persons: Persons | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.token = token or secrets.token_urlsafe(24)
        self.key = key or secrets.token_urlsafe(24)
        self.sharing, self.persons, self.clock = sharing, persons, clock
        self._lock = threading.Lock()
        self._sessions: OrderedDict[str, Session] = OrderedDict()
        # Five attempts, then one in 20 s, for a name; twenty, then one in 5 s, for an address.
        self._by_name, self._by_address = Rates(5, 1 / 20, clock), Rates(20, 1 / 5, clock)
        # A page asks for a few dozen things as it opens; a slice that is drawn along asks for ten a second.
        self.requests = Rates(300, 60, clock)

    # -- sessions

    def cookie_name(self, host: str) -> str:
        """Return the cookie's name: by port at a desk of one's own, as ports share cookies."""
        if self.sharing is not None:
            return "__Host-ossicle-desk"
        port = host.rpartition(":")[2]
        return f"ossicle-desk-{port}" if port.isdigit() else "ossicle-desk"

    def session(self, cookies: str, host: str) -> Session | None:
        """Return the session that a Cookie header names, if it holds still."""
        try:
            found = SimpleCookie(cookies).get(self.cookie_name(host))
        except CookieError:
            return None
        if found is None:
            return None
        with self._lock:
            session = self._sessions.get(found.value)
            if session is None:
                return None
            if session.ends <= self.clock():
                del self._sessions[found.value]
                return None
        if session.person is not None:
            assert self.persons is not None
            now = self.persons.get(session.person.name)
            if now is None or now.key != session.person.key:  # removed, or another role or password meanwhile
                with self._lock:
                    self._sessions.pop(found.value, None)
                return None
        return session

    def _came_in(self, host: str, person: Person | None) -> Response:
        token = self.token if person is None else secrets.token_urlsafe(24)
        name = secrets.token_urlsafe(32)
        with self._lock:
            self._sessions[name] = Session(token, self.clock() + _HOURS * 3600, person)
            while len(self._sessions) > _MOST_SESSIONS:
                self._sessions.popitem(last=False)
        answer = RedirectResponse("/", status_code=303, headers={"cache-control": "no-store"})
        answer.set_cookie(
            self.cookie_name(host), name, path="/", httponly=True, secure=self.sharing is not None,
            samesite="strict" if self.sharing is None else "lax", max_age=_HOURS * 3600,
        )  # fmt: skip
        return answer

    # -- coming in

    def opened(self, query: bytes, host: str) -> Response | None:
        """Answer a first link (``/?key=...``); None where the query holds no right key."""
        if self.sharing is not None:
            return None
        given = parse_qs(query.decode("latin-1"), max_num_fields=20).get("key", [""])[0] if len(query) < 2000 else ""
        if not hmac.compare_digest(given.encode(), self.key.encode()):
            return None
        return self._came_in(host, None)

    def asked(self, said: str = "", status: int = 200, wait: float = 0.0) -> Response:
        """Return the page that asks who is there, or at a desk of one's own says how to come in."""
        if self.sharing is None:
            return _page(
                "<h1>This desk was opened by another way</h1><p>Open the address that <code>ossicle desk</code> "
                "printed when it was started; it holds a key that is new at every start.</p>",
                403,
            )
        told = f"<p class='said' role='alert'>{html.escape(said)}</p>" if said else ""
        answer = _page(
            f"<h1>Ossicle</h1>{told}<form method='post' action='{ENTER}'>"
            "<label for='name'>Your name</label><input id='name' name='name' autocomplete='username' required "
            "maxlength='200'>"
            "<label for='password'>Password</label><input id='password' name='password' type='password' "
            "autocomplete='current-password' required maxlength='1000'>"
            "<button>Sign in</button></form><p class='small'>What you decide is kept under your name. "
            "Not for clinical diagnosis.</p>",
            status,
        )
        if wait:
            answer.headers["retry-after"] = str(int(wait) + 1)
        return answer

    def signed_in(self, body: bytes, host: str, address: str) -> Response:
        """Answer a person's name and password (a form, urlencoded). Blocks while the password is worked on."""
        assert self.persons is not None
        try:
            said = parse_qs(body.decode("utf-8"), max_num_fields=5, keep_blank_values=True)
        except ValueError:
            return self.asked("That was no name and password.", 400)
        name, password = (said.get(k, [""])[0] for k in ("name", "password"))
        wait = self._by_address.wait(address) or self._by_name.wait(" ".join(name.split())[:200].casefold())
        if wait:
            return self.asked(f"Too many attempts; wait {int(wait) + 1} s.", 429, wait)
        person = self.persons.proven(name[:1000], password)
        if person is None:
            return self.asked("No person here has that name and password.", 403)
        return self._came_in(host, person)

    def left(self, cookies: str, host: str) -> Response:
        """End a session."""
        try:
            found = SimpleCookie(cookies).get(self.cookie_name(host))
        except CookieError:
            found = None
        with self._lock:
            if found is not None:
                self._sessions.pop(found.value, None)
        answer = RedirectResponse(ENTER, status_code=303)
        answer.delete_cookie(self.cookie_name(host), path="/", httponly=True, secure=self.sharing is not None)
        return answer


def style() -> Response:
    """Return the style of the page that asks."""
    return Response(_CSS, media_type="text/css", headers={"cache-control": "no-cache"})


def _page(within: str, status: int) -> Response:
    return HTMLResponse(
        "<!doctype html><html lang='en'><head><meta charset='utf-8'><meta name='viewport' "
        f"content='width=device-width, initial-scale=1'><title>Ossicle</title><link rel='stylesheet' href='{STYLE}'>"
        f"</head><body><main>{within}</main></body></html>",
        status_code=status,
        # The browser must name the page that a form comes from, else its Origin is null.
        headers={"cache-control": "no-store", "referrer-policy": "same-origin"},
    )
