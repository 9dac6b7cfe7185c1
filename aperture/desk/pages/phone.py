"""The page that lets a phone in: a code to scan."""

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.desk.security.access import PAIRING_SECONDS
from aperture.desk.web import desk_of, desk_only, page


@desk_only
def phone_page(request: Request) -> Response:
    """How to let a phone in."""
    return page(request, "phone.html", lan=desk_of(request).lan_address, minutes=round(PAIRING_SECONDS / 60))


@desk_only
def code(request: Request) -> Response:
    """A fresh code for one phone, as a picture; the one before is void."""
    import segno

    desk = desk_of(request)
    address = f"http://{desk.lan_address}/pair/{desk.access.new_pairing()}" if desk.lan_address else ""
    svg = segno.make(address, error="m").svg_inline(scale=8, dark="#212b33", light="#ffffff")
    return Response(
        svg.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1), media_type="image/svg+xml"
    )


routes = [Route("/phone", phone_page), Route("/phone/code.svg", code)]
