"""The guide as pages of the desk: its Markdown as HTML, in which nothing of the text is taken for HTML."""

from collections.abc import Sequence
from functools import cache
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from aperture.desk.web import cameras_too, page
from aperture.guide import pages as guide

# Pages of the guide that the desk has a page for: its address, and the words of the button that leads there.
LEADS = {
    "believe": ("/gauge", "Check a photo of a gauge"),
    "comparing": ("/compare", "Compare a table of readings"),
}
_HELP_MEDIA_TYPES = {".jpg": "image/jpeg", ".png": "image/png"}


class _Renderer(RendererHTML):
    """HTML for the desk's strict pages: no styles inside, tables that scroll by themselves on a phone."""

    def table_open(self, tokens: Sequence[Token], idx: int, options: Any, env: Any) -> str:
        """A table in a part of the page that scrolls, also by keyboard."""
        number = env["tables"] = env.get("tables", 0) + 1
        return f'<div class="scroll" tabindex="0" role="region" aria-label="Table {number}">\n<table>\n'

    def table_close(self, tokens: Sequence[Token], idx: int, options: Any, env: Any) -> str:
        """The end of both."""
        return "</table>\n</div>\n"

    def fence(self, tokens: Sequence[Token], idx: int, options: Any, env: Any) -> str:
        """Lines of code, which scroll likewise."""
        code = Markup.escape(tokens[idx].content)
        return f'<pre class="scroll" tabindex="0"><code>{code}</code></pre>\n'

    def code_block(self, tokens: Sequence[Token], idx: int, options: Any, env: Any) -> str:
        """A formula: lines that are moved in."""
        return self.fence(tokens, idx, options, env)


@cache
def html_of(name: str) -> Markup:
    """A page of the guide as HTML.

    Raises
    ------
    KeyError : there is no page of this name.
    """
    markdown = MarkdownIt("commonmark", {"html": False}, renderer_cls=_Renderer).enable("table")
    tokens = markdown.parse(guide.page(name).text)
    for token, following in zip(tokens, [*tokens[1:], None], strict=True):
        if token.type == "heading_open" and following is not None:
            token.attrSet("id", guide.anchor(_words(following)))
        token.attrs.pop("style", None)  # a column's alignment; the desk's headers forbid styles inside
        for inner in token.children or ():
            _lead_here(inner)
    # Made by the renderer, which escapes every text; there is no HTML of anybody else's in it.
    return Markup(markdown.renderer.render(tokens, markdown.options, {}))


def _words(inline: Token) -> str:
    return "".join(token.content for token in inline.children or () if token.type in ("text", "code_inline"))


def _lead_here(token: Token) -> None:
    """Links and pictures lead to the desk's addresses rather than to files side by side."""
    if token.type == "link_open":
        target, _, part = str(token.attrs.get("href", "")).partition("#")
        if target.removesuffix(".md") in guide.PAGES:
            token.attrSet("href", f"/help/{target.removesuffix('.md')}" + (f"#{part}" if part else ""))
    if token.type == "image":
        token.attrSet("src", f"/help/{token.attrs.get('src', '')}")


@cameras_too
def contents(request: Request) -> Response:
    """Which pages the guide has."""
    return page(request, "help.html", pages=guide.pages())


@cameras_too
def one_page(request: Request) -> Response:
    """One page of the guide."""
    name = request.path_params["page"]
    if name not in guide.PAGES:
        raise HTTPException(404, "The guide has no such page.")
    title = guide.page(name).title
    return page(request, "help_page.html", title=title, words=html_of(name), leads=LEADS.get(name))


@cameras_too
def picture(request: Request) -> Response:
    """A picture of the guide."""
    file = guide.picture(request.path_params["name"])
    if file is None or file.suffix not in _HELP_MEDIA_TYPES:
        raise HTTPException(404, "There is no such picture.")
    return FileResponse(file, media_type=_HELP_MEDIA_TYPES[file.suffix])


routes = [
    Route("/help", contents),
    Route("/help/{page}", one_page),
    Route("/help/pictures/{name}", picture),
]
