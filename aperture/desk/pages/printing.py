"""The scale card to print, as a PDF."""

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.card.paper import PAPERS
from aperture.desk.web import desk_only


@desk_only
def card(request: Request) -> Response:
    """The sheet with the card and the reeds' tags, as `aperture card` writes it."""
    from aperture.card.artwork import sheet_pdf

    paper = request.path_params["paper"]
    if paper not in PAPERS:
        raise HTTPException(404, f"The card can be printed on {' or '.join(PAPERS.values())} paper.")
    return Response(sheet_pdf(paper), media_type="application/pdf")


routes = [Route("/print/{paper}.pdf", card)]
