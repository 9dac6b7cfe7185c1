"""HTTP as uvicorn speaks it, but strict: in its headers, in how long it waits, in how many may connect."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import Any, cast

import h11
from starlette.types import Scope
from uvicorn.protocols.http.h11_impl import H11Protocol

from aperture.desk.security.crowd import Crowd
from aperture.desk.security.shield import HEADERS

# A browser sends the head of what it asks in one piece; where it has nothing to ask it connects again later.
ASK_SECONDS = 10.0
# What was answered must be taken.
TAKE_SECONDS = 30.0


class StrictProtocol(H11Protocol):
    """One connection.

    Parameters
    ----------
    crowd : all connections of the desk.
    is_own : whether a request comes from the desk's own browser.
    crowded : is told the address of which a connection was closed, because it had too many.
    """

    def __init__(
        self,
        *args: Any,
        crowd: Crowd,
        is_own: Callable[[Scope], bool],
        crowded: Callable[[str], None],
        **more: Any,
    ) -> None:
        super().__init__(*args, **more)
        self._crowd, self._is_own, self._crowded = crowd, is_own, crowded
        self._asked: asyncio.TimerHandle | None = None
        self._taken: asyncio.TimerHandle | None = None
        self.address: str = ""
        self.own: bool = False

    @property
    def asking(self) -> bool:
        """Whether something was asked that is not answered yet."""
        return self.cycle is not None and not self.cycle.response_complete

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Somebody connected: what is asked must be asked soon, and another may have to go."""
        super().connection_made(transport)
        self.address = self.client[0] if self.client else ""
        self._asked = self.loop.call_later(ASK_SECONDS, self._hang_up)
        gone = self._crowd.enter(self)
        if isinstance(gone, StrictProtocol):
            self._crowded(gone.address)
            self._crowd.leave(gone)
            gone.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nobody is there any more."""
        self._crowd.leave(self)
        for timer in (self._asked, self._taken):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)

    def handle_events(self) -> None:
        """What came may be the whole head of a request."""
        super().handle_events()
        if self.asking:
            if self._asked is not None:
                self._asked.cancel()
            self.own = self.own or self._is_own(cast("Scope", self.scope))

    def on_response_complete(self) -> None:
        """It was answered. Who goes on sending what nobody reads has as long as for another request."""
        if self._asked is not None:
            self._asked.cancel()
        self._asked = self.loop.call_later(ASK_SECONDS, self._hang_up)
        super().on_response_complete()

    def pause_writing(self) -> None:
        """What is answered is not taken as fast as it is sent."""
        super().pause_writing()
        self._taken = self.loop.call_later(TAKE_SECONDS, self.transport.abort)

    def resume_writing(self) -> None:
        """It is taken again."""
        if self._taken is not None:
            self._taken.cancel()
        super().resume_writing()

    def _hang_up(self) -> None:
        """Close it when what was answered is taken, or is not taken for too long."""
        self.transport.close()
        self._taken = self.loop.call_later(TAKE_SECONDS, self.transport.abort)

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP; no page of the desk hears of it."""
        words = b"That is nothing a browser would send."
        headers = [*HEADERS.items(), ("Content-Type", "text/plain"), ("Connection", "close")]
        answer = h11.Response(
            status_code=400, headers=[*headers, ("Content-Length", str(len(words)))], reason=b"Bad Request"
        )
        # In the middle of another answer nothing more can be said.
        with suppress(h11.LocalProtocolError):
            for event in (answer, h11.Data(data=words), h11.EndOfMessage()):
                self.transport.write(self.conn.send(event) or b"")
        self.transport.close()
