"""The guide on the desk: every page, nothing in it taken for HTML, and refusals that lead there."""

import re
from html.parser import HTMLParser

import pytest

from aperture.desk.pages import help
from aperture.flags import FLAGS
from aperture.guide import pages as guide
from tests.desk.conftest import new_camera

HOSTILE = """# <b>Heading</b>

First <script>alert(1)</script> sentence. [x](javascript:alert(1)) ![y](" onerror="alert(1))

<div style="color: red">a block</div>

| a |
|:-:|
| <img src=x onerror=alert(1)> |

```
</code></pre><script>alert(1)</script>
```

    </code><script>alert(1)</script>
"""


class Tags(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.found, self.ids, self.links = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, tuple(name for name, _ in attrs)))
        values = dict(attrs)
        self.ids += [values["id"]] if "id" in values else []
        self.links += [values[name] for name in ("href", "src") if name in values]


@pytest.mark.parametrize("name", guide.PAGES)
def test_every_page_is_listed_and_answers(browser, name):
    listed = browser.get("/help").text
    assert f'<a href="/help/{name}">{guide.page(name).title}</a>' in listed
    answer = browser.get(f"/help/{name}")
    assert answer.status_code == 200
    tags = Tags(answer.text)
    assert tags.found.count(("h1", ("id",))) == 1
    assert "&lt;!--" not in answer.text
    assert not any("style" in names or "onerror" in names for _, names in tags.found)
    assert len(set(tags.ids)) == len(tags.ids)


@pytest.mark.parametrize("name", guide.PAGES)
def test_every_link_and_picture_of_a_page_is_there(browser, name):
    for link in Tags(help.html_of(name)).links:
        if "://" in link:
            continue
        path, _, part = link.partition("#")
        answer = browser.get(path)
        assert answer.status_code == 200, link
        assert not part or part in Tags(answer.text).ids, link


def test_the_menu_leads_to_it(browser):
    assert '<a href="/help">Help</a>' in browser.get("/reeds").text
    assert '<a href="/help" aria-current="page">Help</a>' in browser.get("/help/flags").text


def test_every_flag_has_its_place(browser):
    assert set(FLAGS) <= set(Tags(browser.get("/help/flags").text).ids)


def test_nothing_in_a_page_is_taken_for_html(tmp_path, monkeypatch):
    monkeypatch.setattr(guide, "HERE", tmp_path)
    monkeypatch.setattr(guide, "PAGES", ("hostile",))
    (tmp_path / "hostile.md").write_text(HOSTILE, encoding="utf-8")
    tags = Tags(help.html_of("hostile"))
    assert {tag for tag, _ in tags.found} <= {
        *("h1", "p", "div", "table", "thead", "tbody", "tr", "th", "td", "pre", "code"),
    }
    names = {name for _, names in tags.found for name in names}
    assert names <= {"id", "class", "tabindex", "role", "aria-label"}
    assert tags.links == []


@pytest.mark.parametrize("path", ["/help/none", "/help/pictures/none.png", "/help/pictures/..%2Fpages.py"])
def test_what_is_not_there_is_not_found(browser, path):
    assert browser.get(path).status_code == 404


def test_pictures_are_pictures(browser):
    for file in guide.GUIDE_PICTURES.iterdir():
        answer = browser.get(f"/help/pictures/{file.name}")
        assert answer.headers["content-type"] in ("image/png", "image/jpeg")
        assert answer.content == file.read_bytes()


def test_a_phone_may_read_it_and_finds_back(app, desk):
    camera = new_camera(app, desk)
    for path in ("/help", "/help/flags"):
        answer = camera.get(path)
        assert answer.status_code == 200
        assert 'href="/snap"' in answer.text


def test_a_stranger_may_not(stranger):
    assert stranger.get("/help").status_code == 401


# --- refusals lead there --------------------------------------------------------------------------------


def test_a_refusal_of_the_book_leads_to_its_paragraph(browser):
    answer = browser.get("/reed/77")
    assert answer.status_code == 404
    assert re.search(r'<a href="/help/flags#book-unknown">The reed book does not have that\.', answer.text)


def test_what_is_no_photo_leads_to_its_paragraph(camera):
    answer = camera.post("/snap", files={"photo": ("a.jpg", b"no photo", "image/jpeg")}, data={})
    assert 'href="/help/flags#not-a-photo"' in answer.text


def test_an_import_names_the_flag(browser):
    headers = {"x-csrf": browser.csrf, "x-name": "a.jpg", "content-type": "application/octet-stream"}
    answer = browser.post("/import/photo", content=b"no photo", headers=headers)
    assert answer.json()["code"] == "not-a-photo"
