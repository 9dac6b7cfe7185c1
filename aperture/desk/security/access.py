"""Who may come in: the desk's own browser, and cameras that were let in with a secret from the screen.

Nothing here is kept on the disk: when the desk is closed, everybody is out.
"""

import hmac
import secrets
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

Role = Literal["desk", "camera"]

# A phone needs seconds to scan the code; a screen that is left alone must not stay an open door.
PAIRING_SECONDS = 300.0
# A rehearsal and the way home.
CAMERA_SECONDS = 4 * 3600.0
# So many wrong secrets from one address within a minute, and nobody is let in from there for a while:
# guessing 128 bits is hopeless, but a program that tries deserves no answers.
WRONG_TRIES, TRY_SECONDS = 5, 60.0
# Who has more addresses than this is forgotten early; it takes a network of its own to have them.
_MOST_ADDRESSES = 1000
UPLOADS_A_MINUTE = 30


@dataclass(frozen=True)
class Session:
    """Somebody who is in. `csrf` must come with everything that changes something."""

    key: str
    role: Role
    csrf: str
    ends: float
    uploads: deque[float] = field(default_factory=deque, repr=False)


class Access:
    """The doors of one running desk.

    Parameters
    ----------
    clock : seconds that only go forward.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._sessions: dict[str, Session] = {}
        self._wrong: dict[str, deque[float]] = {}  # by address, the one that tried last at the end
        # Opened once, by the browser that the program starts on this computer.
        self.desk_secret = secrets.token_urlsafe(16)
        self._desk_opened = False
        self._pairing: tuple[str, float] | None = None

    def new_pairing(self) -> str:
        """A secret that lets one phone in, once, for `PAIRING_SECONDS`; the one before is void."""
        self._pairing = (secrets.token_urlsafe(16), self._clock() + PAIRING_SECONDS)
        return self._pairing[0]

    def open_desk(self, secret: str, address: str = "") -> Session | None:
        """Let the desk's own browser in; None if the secret is wrong or was used.

        `address` is where the one who asks comes from: wrong secrets cost only who sends them.
        """
        if self._too_many_tries(address) or not self._equal(secret, self.desk_secret, address):
            return None
        if self._desk_opened:
            return None
        self._desk_opened = True
        return self._let_in("desk", float("inf"))

    def pair(self, secret: str, address: str = "") -> Session | None:
        """Let a phone in as a camera; None if the secret is wrong, was used, or is too old."""
        if self._too_many_tries(address):
            return None
        if self._pairing is None or not self._equal(secret, self._pairing[0], address):
            return None
        _, ends = self._pairing
        self._pairing = None
        return self._let_in("camera", self._clock() + CAMERA_SECONDS) if self._clock() < ends else None

    def session(self, key: str | None) -> Session | None:
        """The session with this key; None if there is none, or it is over."""
        found = self._sessions.get(key or "")
        if found is not None and self._clock() >= found.ends:
            self._sessions.pop(found.key, None)
            return None
        return found

    def may_upload(self, session: Session) -> bool:
        """Whether this one has not sent too many photos within a minute; counts the one that asks."""
        now = self._clock()
        if _recent(session.uploads, now, 60.0) >= UPLOADS_A_MINUTE:
            return False
        session.uploads.append(now)
        return True

    def _let_in(self, role: Role, ends: float) -> Session:
        session = Session(secrets.token_urlsafe(24), role, secrets.token_urlsafe(16), ends)
        self._sessions[session.key] = session
        return session

    def _equal(self, given: str, secret: str, address: str) -> bool:
        if hmac.compare_digest(given.encode(), secret.encode()):
            return True
        tries = self._wrong[address] = self._wrong.pop(address, deque(maxlen=WRONG_TRIES))
        tries.append(self._clock())
        if len(self._wrong) > _MOST_ADDRESSES:
            del self._wrong[next(iter(self._wrong))]
        return False

    def _too_many_tries(self, address: str) -> bool:
        return _recent(self._wrong.get(address, deque()), self._clock(), TRY_SECONDS) >= WRONG_TRIES


def _recent(times: deque[float], now: float, seconds: float) -> int:
    """How many of these times, the oldest first, lie no longer back; older ones are forgotten."""
    while times and now - times[0] >= seconds:
        times.popleft()
    return len(times)
