"""The desk while it opens: the page is served at once; questions wait until what answers them is loaded."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, MutableMapping
from contextlib import AsyncExitStack
from typing import Any

from .door import Door
from .guard import App, Guard, Receive, Send
from .pages import Page

__all__ = ["Opening"]

Message = MutableMapping[str, Any]


class Opening:
    """An ASGI application that serves the page itself and hands the rest to one that is still being made.

    Parameters
    ----------
    make
        Makes the application (`ossicle.desk.app.make_app`); called once, in a thread.
    page, door
        As `make_app` takes them.
    failed
        Called when ``make`` raised; `error` holds what.
    """

    def __init__(self, make: Callable[[], Any], page: Page, door: Door, failed: Callable[[], None]) -> None:
        self.make, self.page, self.failed = make, page, failed
        self.error: BaseException | None = None
        self._inner: Any = None
        self._ready: asyncio.Event | None = None
        self._guarded: App = Guard(self._answer, door)

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request, or begin and end with the server."""
        if scope["type"] == "lifespan":
            await self._live(receive, send)
        else:
            await self._guarded(scope, receive, send)

    async def _answer(self, scope: Message, receive: Receive, send: Send) -> None:
        path = str(scope["path"])
        if scope["method"] in ("GET", "HEAD") and not path.startswith("/api/"):
            found = (
                self.page.index(scope["ossicle.session"].token)
                if path == "/"
                else self.page.file(path.removeprefix("/"))
            )
            if found is not None:
                await found(scope, receive, send)
                return
        assert self._ready is not None
        await self._ready.wait()
        if self._inner is not None:
            await self._inner(scope, receive, send)

    async def _live(self, receive: Receive, send: Send) -> None:
        await receive()
        self._ready = asyncio.Event()
        done = asyncio.Event()
        loop = asyncio.get_running_loop()
        made: list[Any] = []

        def make() -> None:
            try:
                made.append(self.make())
            except BaseException as error:
                self.error = error
                self.failed()
            loop.call_soon_threadsafe(done.set)

        threading.Thread(target=make, daemon=True, name="desk opening").start()
        await send({"type": "lifespan.startup.complete"})
        async with AsyncExitStack() as held:
            opening = asyncio.create_task(self._enter(done, made, held))
            await receive()  # until the server ends
            opening.cancel()
        await send({"type": "lifespan.shutdown.complete"})

    async def _enter(self, done: asyncio.Event, made: list[Any], held: AsyncExitStack) -> None:
        await done.wait()
        if made:
            inner = made[0].app  # within its guard, which stands before this application already
            await held.enter_async_context(inner.router.lifespan_context(inner))
            self._inner = inner
        assert self._ready is not None
        self._ready.set()
