"""The desk running: its sockets, its worker and its secret address."""

import os
import secrets
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

import uvicorn
from anyio import to_thread
from starlette.types import Scope

from aperture.collecting import collect_rarely
from aperture.desk.app import create_app
from aperture.desk.complaints import Complaints, heard
from aperture.desk.intake.crew import Crew, at_once
from aperture.desk.protocol import StrictProtocol
from aperture.desk.security.access import Access
from aperture.desk.security.crowd import Crowd
from aperture.desk.web import Desk, session_in
from aperture.errors import SettingsError
from aperture.settings import Settings

HOST = "127.0.0.1"
# So many may wait to be let in, before the system lets them try again; all of these are let in at once.
WAITING = 32
# An address of a documentation network (RFC 5737): nothing is sent there, the system only says by which of
# its own addresses it would go.
_ELSEWHERE = ("192.0.2.1", 9)


def own_lan_address() -> str | None:
    """This computer's address in the local network; None if it is in none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_ELSEWHERE)
        except OSError:
            return None
        address = str(probe.getsockname()[0])
    return None if address.startswith("127.") else address


def listen(host: str, port: int) -> socket.socket:
    """A socket that waits for browsers.

    Raises
    ------
    SettingsError : the port is taken, or may not be used.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    # Elsewhere this lets a desk open again at once; on Windows it would let another program share the port.
    option = socket.SO_REUSEADDR if os.name == "posix" else socket.SO_EXCLUSIVEADDRUSE  # type: ignore[attr-defined,unused-ignore]
    listener.setsockopt(socket.SOL_SOCKET, option, 1)
    try:
        listener.bind((host, port))
        # From now on a browser waits for its answer, rather than being turned away.
        listener.listen(WAITING)
    except OSError as error:
        listener.close()
        words = f"nothing can listen at {host}:{port} ({error.strerror}); is the desk open already? --port N"
        raise SettingsError("settings-invalid", words) from error
    return listener


def run(
    book_path: Path,
    settings: Settings,
    port: int,
    lan: bool,
    open_browser: bool,
    say: Callable[[str], None],
) -> None:
    """Run the desk until somebody presses Ctrl-C.

    Parameters
    ----------
    port : 0 for any that is free.
    lan : phones in the local network may knock, too.
    say : shows a line to the user.

    Raises
    ------
    SettingsError : the port is taken, or there is no local network.
    """
    sockets = [listen(HOST, port)]
    port = sockets[0].getsockname()[1]
    lan_address = None
    if lan:
        address = own_lan_address()
        if address is None:
            raise SettingsError("settings-invalid", "this computer is in no local network")
        sockets.append(listen(address, port))
        lan_address = f"{address}:{port}"
    desk = Desk(book_path, settings, Access(), f"{HOST}:{port}", lan_address)
    desk.open_book().close()  # what is wrong with it is said now
    url = f"http://{desk.address}/open/{desk.access.desk_secret}"
    collect_rarely()
    say(f"The desk is open at {url}")
    if lan_address is not None:
        say(f"Phones in this network can knock at {lan_address}; only one that scans the code comes in, as a")
        say("camera: it can send photos and see what they gave, nothing else.")
    when_open = partial(_lead_in, desk, url, say) if open_browser else None
    try:
        # Ctrl-C is how it is meant to be closed.
        with suppress(KeyboardInterrupt), Crew(at_once(settings)) as crew:
            say("Ctrl-C closes it.")
            desk.state.worker = crew
            Server(desk, when_open).run(sockets=sockets)
    finally:
        if desk.state.door is not None:
            with suppress(OSError):
                desk.state.door.unlink(missing_ok=True)
    if (left := desk.state.arrivals.waiting) > 0:
        photos = "1 photo was" if left == 1 else f"{left} photos were"
        say(f"{photos} not taken in yet. Import the folder again: what the book has is not taken twice.")
    say("The desk is closed.")


def _lead_in(desk: Desk, url: str, say: Callable[[str], None]) -> None:
    """Show the desk's secret address to this user's browser, and to nobody else.

    What a program is started with all users of a computer can read. So the browser gets the name of a file
    that only this user can read, and that leads on. It lies in the home folder, with a name that is not
    hidden: browsers that are packed apart from the system see no others.
    """
    try:
        door = Path.home() / f"aperture-desk-{secrets.token_hex(8)}.html"
        handle = os.open(door, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        desk.state.door = door
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(_DOOR.format(url=url))
    except (OSError, RuntimeError):  # there is no home, or no room in it
        say("The browser cannot be opened from here. Copy the address into it.")
        return
    # Some browsers come back only when they are closed.
    threading.Thread(target=webbrowser.open, args=(door.as_uri(),), daemon=True).start()


_DOOR = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<title>aperture</title>
<meta http-equiv="refresh" content="0; url={url}">
<p><a href="{url}">Open the desk</a></p>
</html>
"""


def _complain(line: str) -> None:
    """A line for the user that is not what was asked for."""
    with suppress(OSError):  # the terminal may be gone
        print(f"aperture: {line}", file=sys.stderr, flush=True)


class Server(uvicorn.Server):
    """Serves a desk's pages.

    Parameters
    ----------
    desk : whose pages.
    when_open : is called once they are served.
    complain : shows a line of trouble to the user.
    """

    def __init__(
        self,
        desk: Desk,
        when_open: Callable[[], None] | None = None,
        complain: Callable[[str], None] = _complain,
    ) -> None:
        self._complaints = Complaints(complain)
        protocol = partial(
            StrictProtocol,
            crowd=Crowd(),
            is_own=partial(_is_own, desk),
            crowded=self._tell_of_a_crowd,
        )
        config = uvicorn.Config(
            create_app(desk),
            http=protocol,  # type: ignore[arg-type]
            ws="none",
            proxy_headers=False,
            # Whoever knocks with nonsense is no news for the user.
            log_config=None,
            access_log=False,
            server_header=False,
            backlog=WAITING,
            timeout_keep_alive=10,
            timeout_graceful_shutdown=3,
            h11_max_incomplete_event_size=16 * 1024,
        )
        super().__init__(config)
        self._desk, self._when_open = desk, when_open

    def run(self, sockets: list[socket.socket] | None = None) -> None:
        """Serve until it is closed."""
        with heard(self._complaints):
            super().run(sockets)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin, and only then let a browser come: it may wait for its first page in this very terminal."""
        await super().startup(sockets)
        if self._when_open is not None:
            self._when_open()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Close; a photo that is being measured must not keep the desk open, its phone keeps it."""
        state = self._desk.state
        state.arrivals.close()
        state.worker.close()
        if state.watch is not None:
            await to_thread.run_sync(state.watch.stop)
        await super().shutdown(sockets)

    def _tell_of_a_crowd(self, address: str) -> None:
        words = f"{address} opens very many connections. Those that ask nothing are closed."
        self._complaints.tell("a crowd", words)


def _is_own(desk: Desk, scope: Scope) -> bool:
    session = session_in(desk, scope)
    return session is not None and session.role == "desk"
