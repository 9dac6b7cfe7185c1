"""Who comes in, and who gets nothing: the desk's own browser, phones with the code, everybody else."""

import asyncio
import io
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from aperture.desk.app import create_app
from aperture.desk.security.access import CAMERA_SECONDS, PAIRING_SECONDS, TRY_SECONDS, WRONG_TRIES, Access
from aperture.desk.security.shield import HEADERS, MOST_AT_ONCE, MOST_BYTES, Shield
from aperture.desk.server import own_lan_address
from aperture.desk.uploads import _new_file, clean_name
from aperture.desk.web import Desk
from aperture.identity import Named, read_file_name
from aperture.settings import Settings
from tests.desk.conftest import LAN, Browser, new_camera

ROOT = Path(__file__).parents[3]
PHOTO = ROOT / "fixtures" / "photos" / "open-09.jpg"
DESK_PAGES = ["/reeds", "/due", "/lots", "/review", "/import", "/phone", "/phone/code.svg", "/reed/1"]


class Clock:
    now = 0.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def access(clock):
    return Access(clock)


def test_a_code_lets_one_phone_in_once(access):
    secret = access.new_pairing()
    session = access.pair(secret)
    assert session.role == "camera"
    assert access.session(session.key) is session
    assert access.pair(secret) is None


def test_a_code_is_void_when_there_is_a_newer_one_or_time_has_passed(access, clock):
    old = access.new_pairing()
    new = access.new_pairing()
    assert access.pair(old) is None
    clock.now += PAIRING_SECONDS
    assert access.pair(new) is None


def test_a_phone_is_out_after_some_hours(access, clock):
    session = access.pair(access.new_pairing())
    clock.now += CAMERA_SECONDS
    assert access.session(session.key) is None


def test_who_guesses_is_not_answered_for_a_while(access, clock):
    secret = access.new_pairing()
    for _ in range(WRONG_TRIES):
        assert access.pair("guess") is None
    assert access.pair(secret) is None
    assert access.open_desk(access.desk_secret) is None
    clock.now += TRY_SECONDS
    assert access.pair(secret).role == "camera"


def test_the_desk_s_address_opens_once(access):
    assert access.open_desk(access.desk_secret).role == "desk"
    assert access.open_desk(access.desk_secret) is None


def test_secrets_differ_and_are_long(access):
    """128 bits in base64 are 22 characters (RFC 4648)."""
    secrets = {access.new_pairing() for _ in range(50)}
    assert len(secrets) == 50
    assert all(len(secret) >= 22 for secret in secrets)


def test_the_link_alone_lets_nobody_in(app, desk):
    """A preview of the link, which messengers and browsers load by themselves, does not use the code up."""
    secret = desk.access.new_pairing()
    phone = Browser(app, LAN)
    assert phone.get(f"/pair/{secret}").status_code == 200
    assert not phone.cookies
    phone.come_in("/pair", secret=secret)


def test_the_cookie_is_not_for_scripts_nor_for_other_sites(app, desk):
    phone = Browser(app, LAN)
    answer = phone.post("/pair", {"secret": desk.access.new_pairing()}, follow_redirects=False)
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


@pytest.mark.parametrize("path", [*DESK_PAGES, "/snap", "/result/abc", "/picture/aa/aa.jpg"])
def test_a_stranger_sees_nothing(stranger, path):
    answer = stranger.get(path)
    assert answer.status_code == 401
    assert "does not know you" in answer.text


@pytest.mark.parametrize("path", DESK_PAGES)
def test_a_phone_does_not_see_the_book(camera, path):
    assert camera.get(path).status_code == 403


@pytest.mark.parametrize("path", ["/reeds", "/lots", "/reed/1/check", "/reed/1/decision", "/import/photo"])
def test_a_phone_does_not_change_the_book(camera, path):
    assert camera.post(path, {"number": "1"}).status_code == 403


def test_a_phone_does_not_see_the_photos_of_another(app, desk, camera):
    other = new_camera(app, desk)
    sha = other.post("/snap", content=PHOTO.read_bytes(), headers=headers(other)).json()["result"]
    assert other.get(sha).status_code == 200
    assert camera.get(sha).status_code == 404
    with desk.open_book() as book:
        tip = book.entry(book.photos()[0]).reading.tip
    assert other.get(f"/picture/{tip}").headers["content-type"] == "image/jpeg"
    assert camera.get(f"/picture/{tip}").status_code == 404


@pytest.mark.parametrize("path", ["/reeds", "/nowhere", "/static/desk.css", "/reed/999", "/picture/aa/x"])
def test_every_answer_has_the_strict_headers(browser, path):
    answer = browser.get(path)
    for name, value in HEADERS.items():
        assert answer.headers[name.lower()] == value
    assert "unsafe" not in answer.headers["content-security-policy"]


def test_a_failure_of_the_program_is_a_page_in_words(browser, monkeypatch):
    monkeypatch.setattr("aperture.desk.pages.due_page.due", lambda _: 1 / 0)
    answer = browser.get("/due")
    assert answer.status_code == 500
    assert "the fault is the program" in answer.text
    assert "Traceback" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "host", ["evil.example", "10.0.0.5", "localhost:1", "127.0.0.1:8377.evil.example", ""]
)
def test_other_names_are_not_answered(browser, host):
    """DNS rebinding: a site that lets its own name point here."""
    assert browser.get("/reeds", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "", "https://127.0.0.1:8377x", f"http://{LAN}"]
)
def test_forms_of_other_pages_are_not_taken(browser, desk, origin):
    answer = browser.post("/reeds", {"number": "1"}, headers={"origin": origin})
    assert answer.status_code == 403
    with desk.open_book() as book:
        assert book.reeds() == []


@pytest.mark.parametrize("csrf", ["", "wrong"])
def test_forms_without_the_page_s_secret_are_not_taken(browser, desk, csrf):
    assert browser.post("/reeds", {"number": "1", "csrf": csrf}).status_code == 403
    with desk.open_book() as book:
        assert book.reeds() == []


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_not_known(browser, method):
    assert browser.request(method, "/reeds").status_code == 405


def headers(browser, name="IMG_1.jpg"):
    return {"x-csrf": browser.csrf, "x-name": name, "content-type": "application/octet-stream"}


def test_too_large_is_said_before_it_is_read(camera):
    answer = camera.post(
        "/snap", content=b"x", headers={**headers(camera), "content-length": str(MOST_BYTES + 1)}
    )
    assert answer.status_code == 413


def test_how_long_it_is_must_be_said(camera):
    def pieces():
        yield b"x"

    assert camera.post("/snap", content=pieces(), headers=headers(camera)).status_code == 411


def bomb(width=60000, height=60000):
    """A PNG of a few bytes that says it has 3600 million pixels (PNG specification, IHDR)."""
    chunks = b"\x89PNG\r\n\x1a\n"
    for kind, content in (
        (b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)),
        (b"IDAT", zlib.compress(bytes(100_000))),
        (b"IEND", b""),
    ):
        chunks += (
            struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        )
    return chunks


@pytest.mark.parametrize(
    "content", [bomb(), b"not a photo", b"\xff\xd8\xff", PHOTO.read_bytes()[:5000], b"GIF89a"], ids=range(5)
)
def test_what_is_no_photo_is_refused_in_words(camera, desk, content):
    answer = camera.post("/snap", content=content, headers=headers(camera))
    assert answer.status_code == 200
    assert answer.json()["result"] is None
    assert answer.json()["why"]
    with desk.open_book() as book:
        assert book.photos() == []


def test_an_empty_upload(camera):
    assert camera.post("/snap", content=b"", headers=headers(camera)).status_code == 400


HOSTILE = [
    "../../etc/passwd",
    "..\\..\\x.jpg",
    "a\0b.jpg",
    "x" * 5000,
    "<script>alert(1)</script>.jpg",
    "",
    "/",
]


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_no_name_reaches_the_disk_or_a_page_as_it_is(browser, desk, tmp_path, name):
    from urllib.parse import quote

    before = {path for path in tmp_path.rglob("*") if path.is_file()}
    sent = browser.post("/snap", content=PHOTO.read_bytes(), headers=headers(browser, quote(name)))
    assert sent.status_code == 200
    new = {path.name for path in tmp_path.rglob("*") if path.is_file()} - {path.name for path in before}
    with desk.open_book() as book:
        photo = book.photos()[0]
    assert all(name.startswith((photo.sha256, "reeds.sqlite3")) for name in new)
    assert "/" not in photo.name
    assert len(photo.name) <= 120
    assert "<script>alert" not in browser.get("/review").text


def test_the_file_that_a_photo_lies_in_says_nothing_of_a_reed():
    """Else a photo would now and then be filed under a reed by chance."""
    for _ in range(2000):
        with _new_file() as (_, path):
            assert read_file_name(path.stem) == Named(None, None)


def test_clean_names():
    assert clean_name("../a/b.jpg") == "b.jpg"
    assert clean_name("C:\\photos\\é.jpg") == "é.jpg"
    assert clean_name("") == "photo"


def test_a_form_with_too_many_files_or_fields(browser):
    files = [("photos", (f"{n}.jpg", io.BytesIO(b"x"))) for n in range(201)]
    assert browser.post("/import", {}, files=files).status_code == 400
    assert browser.post("/reeds", {f"f{n}": "1" for n in range(100)}).status_code == 400


def test_a_phone_cannot_flood_the_desk(camera):
    statuses = [camera.post("/snap", content=b"x", headers=headers(camera)).status_code for _ in range(32)]
    assert statuses[0] == 200
    assert statuses[-1] == 429


def listening_on(port):
    """The addresses of this computer at which somebody listens on a port, as the kernel writes them."""
    table = "".join(Path(path).read_text() for path in ("/proc/net/tcp", "/proc/net/tcp6"))
    rows = [line.split() for line in table.splitlines()]
    return {row[1].split(":")[0] for row in rows if row[3] == "0A" and row[1].endswith(f":{port:04X}")}


@pytest.mark.parametrize("lan", [False, True])
def test_the_desk_listens_where_it_says_and_nowhere_else(tmp_path, lan):
    """A real desk in a process of its own, on a free port."""
    if not Path("/proc/net/tcp").exists():
        pytest.skip("this system does not say in a file who listens where")
    address = own_lan_address()
    if lan and address is None:
        pytest.skip("this computer is in no local network")
    command = [sys.executable, "-m", "aperture", "desk", "--port", "0", "--no-browser"]
    command += ["--book", str(tmp_path / "reeds.sqlite3"), *(["--lan"] if lan else [])]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        host, port = process.stdout.readline().split("http://")[1].split("/")[0].split(":")
        assert host == "127.0.0.1"
        # Bytes reversed (proc(5)): 127.0.0.1 is 0100007F.
        expected = {"127.0.0.1", *([address] if lan else [])}
        written = {"".join(f"{int(part):02X}" for part in reversed(one.split("."))) for one in expected}
        assert listening_on(int(port)) == written
        taken = subprocess.run(
            [*command[:5], port, *command[6:]], capture_output=True, text=True, cwd=ROOT, check=False
        )
        assert taken.returncode == 2
        assert "is the desk open already?" in taken.stderr
    finally:
        process.terminate()
        process.wait(20)
        process.stdout.close()


def test_who_asks_while_too_many_ask_is_told_to_come_again():
    """RFC 9110, 15.6.4 and 10.2.3."""

    async def slow(scope, receive, send):
        await release.wait()

    async def ask(shield):
        answers = []
        scope = {"type": "http", "method": "GET", "headers": [(b"host", b"desk")]}

        async def send(message):
            answers.append(message)

        await shield(scope, None, send)
        return answers

    async def crowd():
        shield = Shield(slow, ["desk"])
        tasks = [asyncio.create_task(ask(shield)) for _ in range(MOST_AT_ONCE)]
        await asyncio.sleep(0)
        (start, _) = await ask(shield)
        release.set()
        assert await asyncio.gather(*tasks) == [[]] * MOST_AT_ONCE
        assert await ask(shield) == []  # and then there is room again
        return start

    release = asyncio.Event()
    start = asyncio.run(crowd())
    headers = {name.decode(): value.decode() for name, value in start["headers"]}
    assert start["status"] == 503
    assert int(headers["retry-after"]) > 0
    assert all(headers[name.lower()] == value for name, value in HEADERS.items())


def test_two_desks_on_one_computer_do_not_throw_each_other_out(tmp_path):
    """RFC 6265, 8.5: cookies are sent to every port of a host."""
    cookies, browsers = {}, []
    for port in (8377, 8378):
        desk = Desk(tmp_path / "reeds.sqlite3", Settings(), Access(), f"127.0.0.1:{port}")
        browser = TestClient(create_app(desk), base_url=f"http://127.0.0.1:{port}")
        browser.cookies.update(cookies)
        assert browser.get(f"/open/{desk.access.desk_secret}").status_code == 200
        cookies |= dict(browser.cookies)
        browsers.append(browser)
    for browser in browsers:
        browser.cookies.update(cookies)
        assert browser.get("/reeds").status_code == 200


def test_a_script_is_told_in_words_too(camera):
    """What a page says to people, as JSON for whoever asks for that."""
    for path, status in (("/reeds", 403), ("/nowhere", 404)):
        answer = camera.get(path, headers={"accept": "application/json"})
        assert answer.status_code == status
        assert answer.json()["what"]
        assert "does not know you" not in answer.text
