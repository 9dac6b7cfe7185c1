"""How long the desk's pages and the book's commands take with a book of ten years, and what intake costs.

The book is made up: 2,000 reeds of 100 lots, 20,000 photos. Once 60 reeds are here and the others gone, once
as many as there are numbers, 480. Times are of one process after everything was imported; they are in
milliseconds because a person waits for them, and the bound is what a person does not notice.
"""

import random
import statistics
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

from aperture.book.store.ledger import Book
from aperture.card.geometry import CARD
from aperture.cli.app import app as commands
from aperture.collecting import collect_rarely
from aperture.desk.app import create_app
from aperture.desk.security.access import Access
from aperture.desk.web import Desk
from aperture.settings import Settings
from tests.bench.big_book import make_book
from tests.bench.figures import Findings, in_turns
from tests.bench.intake_work import Work, measure_nothing

MOST_MS = 150.0
REPEATS = 20
ADDRESS = "127.0.0.1:8377"
LIVE = {"60 reeds here": 60, f"{CARD.reed_tags.count} reeds here": CARD.reed_tags.count}
COMMANDS = ["reeds", "reed 7", "due", "lots", "order --need 12 --source north"]


@pytest.fixture(scope="module", params=LIVE.values(), ids=LIVE)
def path(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A big book; how many of its reeds are here."""
    file = tmp_path_factory.mktemp("book") / "reeds.sqlite3"
    make_book(file, request.param)
    return file


def bench_pages(path: Path, request: pytest.FixtureRequest, findings: Findings) -> None:
    """Every page of the desk that is looked at, and a mix of them."""
    chance = random.Random(1)
    client = _browser(path)
    every = []
    for page, addresses in _pages(path).items():
        times = _times(lambda addresses=addresses: _get(client, chance.choice(addresses)))
        every += times
        findings.figure(f"{page}, {_whose(request)}", _p95(times), MOST_MS, "ms", note="95th percentile")
    findings.figure(
        f"all pages together, {_whose(request)}", _p95(every), MOST_MS, "ms", note="95th percentile"
    )


def bench_after_an_entry(path: Path, request: pytest.FixtureRequest, findings: Findings) -> None:
    """The pages about all reeds when the book has grown since the last one, so that all is read again."""
    client, desk = _browser_and_desk(path)
    for page in ("/due", "/review"):

        def again(page: str = page) -> None:
            desk.state.histories = None
            _get(client, page)

        figure = f"{page} after an entry, {_whose(request)}"
        findings.figure(figure, _p95(_times(again)), MOST_MS, "ms", note="95th percentile")


def bench_commands(
    path: Path, request: pytest.FixtureRequest, findings: Findings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The commands that only read, without the start of the process."""
    monkeypatch.setenv("APERTURE_BOOK", str(path))
    for command in COMMANDS:
        times = _times(partial(_run, command.split()))
        findings.figure(
            f"`aperture {command}`, {_whose(request)}", _p95(times), MOST_MS, "ms", note="95th percentile"
        )


def bench_exceptions(
    path: Path, request: pytest.FixtureRequest, findings: Findings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What reads the whole file, as it must: its own figure, without a bound that means anything."""
    if request.node.callspec.id != next(iter(LIVE)):
        pytest.skip("it does not matter how many reeds are here")
    with Book(path) as book:
        start = time.perf_counter()
        assert book.integrity_errors() == []
    seconds = time.perf_counter() - start
    findings.figure("the file's part of `aperture verify`", seconds, 60.0, "s", note="reads the whole file")


def bench_intake(tmp_path: Path, benchmark: Any, findings: Findings, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a photo costs that comes into a book of 20,000, beside an empty one; nothing is measured."""
    measure_nothing(monkeypatch)
    full = tmp_path / "full" / "reeds.sqlite3"
    full.parent.mkdir()
    make_book(full, 60)
    with Book(full) as big, Book(tmp_path / "new" / "reeds.sqlite3", create=True) as small:
        ours, reference = Work(big, tmp_path / "a"), Work(small, tmp_path / "b")
        ratio = in_turns(benchmark, ours.take_one, reference.take_one, rounds=1000)
    findings.figure("a photo into a book of 20,000 / into an empty one", ratio, 1.2)


def _pages(path: Path) -> dict[str, Sequence[str]]:
    """Every page that is looked at, each with addresses of it."""
    with Book(path) as book:
        here = [reed.number for reed in book.reeds() if not book.is_gone(reed)]
        going = {
            fate.reed.lot
            for fate in book.fates()
            if fate.decisions and fate.decisions[-1].action == "sent back"
        }
        photos = book.photos()
        waiting = [entry.photo.sha256 for entry in book.unfiled()]
        tips = [tip for photo in photos[-20:] if (tip := book.entry(photo).reading.tip)]
    shas = [photo.sha256 for photo in photos]
    return {
        "/reeds": ["/reeds"],
        "/reeds?all=1": ["/reeds?all=1"],
        "/reed/N": [f"/reed/{number}" for number in here],
        "/due": ["/due"],
        "/lots": ["/lots"],
        "/lots with an order": ["/lots?need=12&sure=90&source=north", "/lots?need=30&sure=95&source=west"],
        "/lot/CODE/return-sheet.pdf": [
            f"/lot/{code}/return-sheet.pdf" for code in sorted(filter(None, going))
        ],
        "/review": ["/review"],
        "/review/PHOTO": [f"/review/{sha}" for sha in waiting + shas[-200:]],
        "/result/PHOTO": [f"/result/{sha}" for sha in shas],
        "the others": [
            "/import",
            "/phone",
            "/phone/code.svg",
            "/snap",
            "/static/book.css",
            *(f"/picture/{tip}" for tip in tips),
        ],
    }


def _browser(path: Path) -> TestClient:
    return _browser_and_desk(path)[0]


def _browser_and_desk(path: Path) -> tuple[TestClient, Desk]:
    collect_rarely()  # as the desk does when it is opened
    desk = Desk(path, Settings(), Access(), ADDRESS, "10.0.0.5:8377")
    client = TestClient(create_app(desk), base_url=f"http://{ADDRESS}")
    _get(client, f"/open/{desk.access.desk_secret}")
    return client, desk


def _get(client: TestClient, address: str) -> None:
    assert client.get(address).status_code == 200, address


def _run(words: Sequence[str]) -> None:
    result = CliRunner().invoke(commands, words)
    assert result.exit_code == 0, result.output


def _times(what: Callable[[], None]) -> list[float]:
    """Milliseconds of each time, after one to warm up."""
    what()
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        what()
        times.append(1000.0 * (time.perf_counter() - start))
    return times


def _p95(times: Sequence[float]) -> float:
    return statistics.quantiles(times, n=20, method="inclusive")[-1]


def _whose(request: pytest.FixtureRequest) -> str:
    return str(request.node.callspec.id)
