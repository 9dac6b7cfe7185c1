"""The guide's pages: which there are, in which order, and their text and pictures."""

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

HERE = Path(__file__).parent
GUIDE_PICTURES = HERE / "pictures"

# In the order in which they are listed; each is a file of that name beside this one.
PAGES = (
    "photos",
    "measuring",
    "results",
    "terms",
    "flags",
    "book",
    "desk",
    "believe",
    "repeat",
    "comparing",
    "limits",
    "settings",
    "json",
    "cluster",
    "how-it-measures",
    "model",
    "how-it-keeps",
    "changelog",
)

_LINK = re.compile(r"\[([^\]]*)\]\([^)]*\)")
# Lines that only the tests read: where a table begins that is made from the program.
_MARKER = re.compile(r"^<!--.*?-->\n", re.MULTILINE)


@dataclass(frozen=True)
class Page:
    """A page of the guide: its name, its heading, its first sentence, and its Markdown with the heading.

    The sentence is without the marks of Markdown, for lists.
    """

    name: str
    title: str
    first: str
    text: str


@cache
def page(name: str) -> Page:
    """One page.

    Raises
    ------
    KeyError : there is no page of this name.
    """
    if name not in PAGES:
        raise KeyError(name)
    text = _MARKER.sub("", (HERE / f"{name}.md").read_text(encoding="utf-8"))
    heading, _, rest = text.partition("\n")
    paragraph = " ".join(rest.strip().split("\n\n")[0].split())
    # A sentence ends before a capital letter; "fig. 3" does not end one.
    first = re.split(r"(?<=[.!?]) (?=[A-Z`*])", _LINK.sub(r"\1", paragraph))[0]
    first = first.replace("*", "").replace("`", "")
    return Page(name, heading.removeprefix("# ").strip(), first, text)


def pages() -> list[Page]:
    """All pages, in their order."""
    return [page(name) for name in PAGES]


def anchor(heading: str) -> str:
    """What a link calls a heading: small letters, digits and dashes, as code hosts make it from the words."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def picture(name: str) -> Path | None:
    """The file of a picture; None if the guide has none of this name."""
    return next((file for file in GUIDE_PICTURES.iterdir() if file.name == name), None)
