"""What an outline measures while its points are dragged: the numbers that it would be kept with, as JSON."""

import json
from dataclasses import replace

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from aperture.book.store.lazy import LazyRecord
from aperture.desk.pages.fields import photo_in_address
from aperture.desk.pages.outlines import corrected_outline, measured_by_hand, programs_own
from aperture.desk.pages.read_out import chances, numbers, seen
from aperture.desk.web import desk_of, desk_only, with_form
from aperture.errors import BookError


@desk_only
@with_form
def tried(request: Request, form: FormData) -> Response:
    """What these points would give, in the words of the review's page; nothing is written.

    It is what `review.answer` would keep of the same points, so that both agree to the last digit.
    """
    with desk_of(request).open_book() as book:
        program = programs_own(photo_in_address(request, book))
        try:
            points = corrected_outline(str(form.get("points", "")), program)
            record = measured_by_hand(points, program, book.settings_of(program))
        except BookError as error:
            if error.code != "book-entry-wrong":
                raise
            what = f"{error.detail[0].upper()}{error.detail[1:]}. Move the points, or undo."
            return JSONResponse({"trouble": what})
    reading = replace(program, origin="person", record=LazyRecord(json.dumps(record)))
    return JSONResponse({"seen": seen(reading), "chances": chances(record), "numbers": numbers(record)})


routes = [Route("/review/{sha}/outline", tried, methods=["POST"])]
