"""The button *Undo*: what was just entered does not count any more. It stays on record."""

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.desk.web import cameras_too, desk_of, redirect, session_of, with_form
from aperture.errors import BookError

TOO_LATE = "Nothing was undone: that was possible for a minute only. Enter it again as it should be."
RESTED_ON = "Nothing was undone: something else that was entered since rests on it."


@cameras_too
@with_form
def undo(request: Request, form: FormData) -> Response:
    """Withdraw what an action entered, if that was less than a minute ago, by the one who entered it."""
    desk, session = desk_of(request), session_of(request)
    assert session is not None
    key = str(form.get("key", ""))
    if any(key in undos for whose, undos in list(desk.state.undos.items()) if whose != session.key):
        raise HTTPException(403, "Somebody else entered that; it is undone where it was entered.")
    found = desk.state.undos[session.key].pop(key, None)
    if found is None or desk.state.clock() >= found.ends:
        return redirect(found.back if found else "/", TOO_LATE)
    try:
        with desk.open_book() as book:
            book.withdraw(found.entered)
    except BookError as error:
        if error.code != "book-entry-wrong":
            desk.state.undos[session.key][key] = found  # another time it may be possible
            raise
        return redirect(found.back, RESTED_ON)
    return redirect(found.back, f"Undone, and kept on record: “{found.words}”")


routes = [Route("/undo", undo, methods=["POST"])]
