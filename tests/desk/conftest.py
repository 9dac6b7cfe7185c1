"""A desk for tests: a book in a folder of its own, and browsers that are in, or not."""

from datetime import date, datetime

import pytest

pytest.importorskip("starlette", reason="the desk's packages are not installed: pip install 'aperture[desk]'")

from starlette.testclient import TestClient

from aperture.book.store.ledger import Book
from aperture.book.store.records import Soaking
from aperture.desk.app import create_app
from aperture.desk.intake.work import Worker
from aperture.desk.security.access import Access
from aperture.desk.web import Desk
from aperture.settings import Settings, change_settings
from tests.book.conftest import enter  # noqa: F401 (a fixture)

ROUND = {"height_mm": 2.1, "width_mm": 6.4}
ADDRESS, LAN = "127.0.0.1:8377", "10.0.0.5:8377"


class InThisProcess(Worker):
    """The worker without a process of its own: what it does with a photo, it does here."""

    def __init__(self):
        pass

    def _do(self, task, given):
        return task(given)

    def close(self):
        pass


class Browser(TestClient):
    """A browser that sends what browsers send, and knows its page's secret."""

    def __init__(self, app, address=ADDRESS):
        super().__init__(app, base_url=f"http://{address}", raise_server_exceptions=False)
        self.origin = f"http://{address}"
        self.csrf = ""

    def come_in(self, path, **form):
        answer = self.post(path, data=form) if form else self.get(path)
        assert answer.status_code == 200, answer.text
        session = next(iter(self.cookies.values()))
        self.csrf = self.app.app_of_ours.access.session(session).csrf
        return answer

    def post(self, path, data=None, **more):
        headers = {"origin": self.origin, **more.pop("headers", {})}
        if data is not None:
            data = {"csrf": self.csrf, **data}
        return super().post(path, data=data, headers=headers, **more)


@pytest.fixture
def desk(tmp_path):
    with Book(tmp_path / "reeds.sqlite3", create=True):
        pass
    one = change_settings(Settings(), {"workers": 1})
    desk = Desk(tmp_path / "reeds.sqlite3", one, Access(), ADDRESS, LAN)
    desk.state.worker = InThisProcess()
    return desk


@pytest.fixture
def app(desk):
    app = create_app(desk)
    app.app_of_ours = desk
    return app


@pytest.fixture
def stranger(app):
    """Nobody known."""
    return Browser(app)


@pytest.fixture
def browser(app, desk):
    """The desk's own browser."""
    browser = Browser(app)
    browser.come_in(f"/open/{desk.access.desk_secret}")
    return browser


def new_camera(app, desk):
    camera = Browser(app, LAN)
    camera.come_in("/pair", secret=desk.access.new_pairing())
    return camera


@pytest.fixture
def camera(app, desk):
    """A phone that scanned the code."""
    return new_camera(app, desk)


@pytest.fixture
def filled(desk, enter):  # noqa: F811
    """A desk whose book has a lot and three reeds."""
    with desk.open_book() as book:
        book.add_lot("26a", "north", date(2026, 9, 14), date(2036, 10, 19), 21.0, "<b>medium</b>")
        for number in (5, 6, 7):
            reed = book.add_reed(number, "26a")
            enter(book, reed, "dry", datetime(2026, 10, 5, 14, number))
            soaking = Soaking(30.0, "room", "water", "new")
            enter(
                book,
                reed,
                "soaked",
                datetime(2026, 10, 5, 15, number),
                soaking,
                **(ROUND if number == 7 else {}),
            )
    return desk
