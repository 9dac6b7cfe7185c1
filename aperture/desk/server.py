"""The desk running: its sockets, its worker and its secret address."""

import os
import socket
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from aperture.collecting import collect_rarely
from aperture.desk.app import create_app
from aperture.desk.intake.work import Worker
from aperture.desk.security.access import Access
from aperture.desk.security.shield import HEADERS
from aperture.desk.web import Desk
from aperture.errors import SettingsError
from aperture.settings import Settings

HOST = "127.0.0.1"
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
        listener.listen(128)
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
    # Ctrl-C is how it is meant to be closed.
    with suppress(KeyboardInterrupt), Worker() as worker:
        say("Ctrl-C closes it.")
        if open_browser:
            webbrowser.open(url)
        desk.state["worker"] = worker
        Server(desk).run(sockets=sockets)
    say("The desk is closed.")


class Server(uvicorn.Server):
    """Serves a desk's pages."""

    def __init__(self, desk: Desk) -> None:
        config = uvicorn.Config(
            create_app(desk),
            http=StrictProtocol,
            ws="none",
            proxy_headers=False,
            # Whoever knocks with nonsense is no news for the user.
            log_level="error",
            server_header=False,
            timeout_keep_alive=10,
            timeout_graceful_shutdown=3,
            h11_max_incomplete_event_size=16 * 1024,
        )
        super().__init__(config)
        self._desk = desk

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Close; a photo that is being measured must not keep the desk open, its phone keeps it."""
        self._desk.state["worker"].close()
        await super().shutdown(sockets)


class StrictProtocol(H11Protocol):
    """HTTP as uvicorn speaks it, but with the strict headers where uvicorn answers by itself."""

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
