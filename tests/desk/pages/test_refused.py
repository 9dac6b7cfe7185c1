"""What a form cannot be is said beside its field, and what was typed is still there; and no page says only
that it did not work."""

import re
from html import unescape
from html.parser import HTMLParser

import pytest

from aperture.errors import BookError
from tests.desk.conftest import ADDRESS


class Form(HTMLParser):
    """The form with this action: the values of its fields, which is said to be wrong, and in what words."""

    def __init__(self, text, action):
        super().__init__()
        self.action, self.inside, self.select = action, False, None
        self.values, self.marked, self.wrong = {}, [], {}
        self.last, self.reading = None, False
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        facts = dict(attributes)
        if tag == "form":
            self.inside = facts["action"] == self.action
        if not self.inside:
            return
        name = facts.get("name")
        if tag in ("input", "select") and facts.get("type") != "hidden":
            self.last = name
            if "aria-invalid" in facts:
                assert facts["aria-describedby"].split()[0] == "wrong"
                self.marked.append(name)
        if tag == "input" and (facts.get("type") != "radio" or "checked" in facts):
            self.values[name] = facts.get("value", "")
        if tag == "select":
            self.select = name
            self.values[name] = ""
        if tag == "option" and "selected" in facts:
            self.values[self.select] = True
        if facts.get("id") == "wrong":
            self.reading = True
            self.wrong[self.last] = ""

    def handle_data(self, data):
        if self.reading:
            self.wrong[self.last] += data
        if self.select and self.values[self.select] is True:
            self.values[self.select] = data

    def handle_endtag(self, tag):
        if tag == "p":
            self.reading = False
        if tag == "select":
            self.select = None


WRONG = {
    "no number": ("/reeds", {"number": "abc", "slot": "A1", "player": "P4"}, "number", "no reed's number"),
    "no number at all": ("/reeds", {"number": "", "slot": "A1", "lot": "26a"}, "number", "missing"),
    "a name": ("/reeds", {"number": "9", "player": "Anna Example", "lot": "26a"}, "player", "not a name"),
    "a long slot": ("/reeds", {"number": "9", "slot": "in the box"}, "slot", "short code"),
    "no cents": (
        "/reed/7/check",
        {"leak": "no", "chip": "yes", "cents": "flat", "note": "<b>good</b>", "by": "MB", "response": "good"},
        "cents",
        "no number",
    ),
    "who checked": ("/reed/7/check", {"leak": "no", "by": "Anna Example"}, "by", "Who checked"),
    "who squeezed": ("/reed/7/squeeze", {"by": "Anna Example"}, "by", "Who squeezed"),
    "against the advice": ("/reed/7/decision", {"action": "keep", "by": "MB"}, "reason", "say why"),
    "no such decision": (
        "/reed/7/decision",
        {"action": "eat", "by": "MB", "reason": "so"},
        "action",
        "none of",
    ),
    "who decides": (
        "/reed/7/decision",
        {"action": "replace", "by": "Anna Example", "reason": "so"},
        "by",
        "Who decides",
    ),
    "a player's name": ("/reed/7/details", {"player": "Anna Example", "slot": "C3"}, "player", "not a name"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_it_is_said_beside_its_field_and_what_was_typed_is_still_there(filled, browser, wrong):
    """WCAG 2.2, 3.3.1: the item in error is identified and described in text."""
    path, typed, field, words = WRONG[wrong]
    answer = browser.post(path, typed)
    assert answer.status_code in (400, 409)
    form = Form(answer.text, path)
    assert form.marked == [field]
    assert list(form.wrong) == [field]
    assert words in form.wrong[field]
    assert "Nothing was written" in form.wrong[field]
    kept = {name: said for name, said in typed.items() if said != "eat"}
    assert {name: form.values[name] for name in kept} == kept
    with filled.open_book() as book:
        assert (
            list(book.table("checks")) == list(book.table("decisions")) == list(book.table("squeezes")) == []
        )
        assert [reed.player for reed in book.reeds()] == [None] * 3


NO_FIELD = {
    "nothing looked at": ("/reed/7/check", {"note": ""}, "nothing was looked at"),
    "a response that there is not": ("/reed/7/check", {"leak": "no", "response": "loud"}, "none of"),
    "an octave": ("/reed/7/check", {"cents": "1300"}, "octave"),
    "a lot that is not there": ("/reeds", {"number": "9", "lot": "zz"}, "lot zz"),
    "of a reed, too": ("/reed/7/details", {"lot": "zz", "slot": "C3"}, "lot zz"),
}


@pytest.mark.parametrize("wrong", NO_FIELD)
def test_what_is_in_no_field_alone_is_said_above_the_form(filled, browser, wrong):
    path, typed, words = NO_FIELD[wrong]
    answer = browser.post(path, typed)
    assert 400 <= answer.status_code < 500
    form = Form(answer.text, path)
    assert form.marked == []
    (said,) = form.wrong.values()
    assert words in said
    assert form.values.get("slot") == typed.get("slot", form.values.get("slot"))


def test_while_the_book_is_written_to_nothing_typed_is_lost(filled, browser, monkeypatch):
    def busy(*_, **__):
        raise BookError("book-busy", "")

    monkeypatch.setattr("aperture.book.store.ledger.Book.add_check", busy)
    answer = browser.post("/reed/7/check", {"leak": "no", "note": "a long note"})
    assert answer.status_code == 503
    form = Form(answer.text, "/reed/7/check")
    assert form.values["note"] == "a long note"
    assert "try again" in next(iter(form.wrong.values()))


def test_the_other_forms_of_the_page_are_as_ever(filled, browser):
    text = browser.post("/reed/7/check", {"leak": "no", "by": "Anna Example"}).text
    for path in ("/reed/7/squeeze", "/reed/7/decision", "/reed/7/details"):
        form = Form(text, path)
        assert (form.marked, form.wrong) == ([], {})
        assert "Anna Example" not in form.values.values()


# --- pages that are not there ----------------------------------------------------------------------------


def words_of(answer):
    return " ".join(
        unescape(re.sub("<[^>]*>", " ", re.search("<main.*</main>", answer.text, re.S)[0])).split()
    )


NOT_HERE = [
    ("GET", "/nowhere", 404, "no page with that address"),
    ("GET", "/reed", 404, "no page with that address"),
    ("GET", "/static/none.css", 404, "no page with that address"),
    ("GET", "/reed/99", 404, "reed 99"),
    ("GET", "/reed/x", 404, "no reed's number"),
    ("GET", "/reed/7/check", 405, "takes what was entered in a form"),
    ("GET", "/undo", 405, "takes what was entered in a form"),
    ("POST", "/due", 405, "takes what was entered in a form"),
    ("POST", "/reeds", 400, "no form of this desk"),
]


@pytest.mark.parametrize(("method", "path", "status", "words"), NOT_HERE)
def test_what_is_not_there_is_said_with_what_to_do_and_a_way_back(
    filled, browser, method, path, status, words
):
    """RFC 9110, 15.5.5 and 15.5.6, name the statuses; their phrases alone help nobody."""
    much = {f"f{n}": "1" for n in range(100)}
    answer = browser.get(path) if method == "GET" else browser.post(path, much)
    assert answer.status_code == status
    said = words_of(answer)
    assert words in said
    for phrase in ("Not Found", "Method Not Allowed", "Bad Request"):
        assert phrase not in answer.text
    ways = re.findall(r'class="button[^"]*" href="(.*?)"', answer.text)
    assert ways
    assert all(browser.get(way).status_code == 200 for way in ways)


def test_a_form_s_address_leads_back_to_its_page(filled, browser):
    assert 'href="/reed/7"' in browser.get("/reed/7/check").text


def test_the_page_that_one_came_from_is_one_way_back(filled, browser):
    headers = {"referer": f"http://{ADDRESS}/lots?need=12&sure=90"}
    text = browser.get("/reed/99", headers={"referer": f"http://{ADDRESS}/reed/7?id=1"}).text
    assert 'href="/reed/7?id=1">Back to where you were' in text
    assert 'href="/lots?need=12&amp;sure=90"' in browser.get("/nowhere", headers=headers).text


@pytest.mark.parametrize(
    "referer",
    [
        "http://elsewhere.example/reeds",
        f"http://{ADDRESS}//elsewhere.example",
        f"http://{ADDRESS}/\\elsewhere.example",
        f"javascript://{ADDRESS}/%0aalert(1)",
        "nonsense",
    ],
)
def test_no_way_back_leads_elsewhere(browser, referer):
    """Two slashes, and to browsers a slash and a backslash, begin a host: WHATWG URL Standard, 4.4."""
    text = browser.get("/nowhere", headers={"referer": referer}).text
    assert "elsewhere" not in text
    assert "javascript" not in text
    assert 'href="//' not in text


def test_a_phone_is_led_to_its_camera(camera):
    text = camera.get("/nowhere").text
    assert 'href="/snap">The camera' in text
    assert "What is due" not in text
