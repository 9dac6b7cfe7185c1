"""The switch of the import page that has a folder of this computer watched."""

from pathlib import Path

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.desk.intake.folder import FolderWatch, why_not
from aperture.desk.intake.work import Order
from aperture.desk.pages.fields import FieldError, said_beside, text
from aperture.desk.pages.importing import import_page
from aperture.desk.web import Desk, desk_of, desk_only, redirect, with_form
from aperture.identity import FOLDERS_READ

# Where a folder is large, it may take so long until nothing that comes can be missed.
BEGIN_SECONDS = 5.0


@desk_only
@with_form
@said_beside(import_page, "watch")
def watch_folder(request: Request, form: FormData) -> Response:
    """Watch the folder that was named; only the desk's own browser names one."""
    desk, typed = desk_of(request), text(form, "folder") or ""
    if not typed:
        raise FieldError(400, "Say which folder.", "folder")
    try:
        folder = Path(typed).expanduser()
        trouble = why_not(folder, desk.book_path)
    except (RuntimeError, ValueError):  # there is no such user, or it is no name
        trouble = "There is no such folder on this computer."
    if trouble is not None:
        raise FieldError(400, trouble, "folder")
    _stop(desk)
    watch = FolderWatch(
        folder,
        lambda photo: _take(desk, photo),
        desk.state.worker.is_whole,
        text(form, "there") is not None,
        desk.state.arrivals.tell,
    )
    watch.wait_until_begun(BEGIN_SECONDS)
    desk.state.watch = watch
    return redirect("/import#watch")


@desk_only
@with_form
def stop_watching(request: Request, form: FormData) -> Response:
    """Watch it no longer; photos that came are still taken in."""
    _stop(desk_of(request))
    return redirect("/import#watch")


routes = [
    Route("/import/watch", watch_folder, methods=["POST"]),
    Route("/import/watch/stop", stop_watching, methods=["POST"]),
]


def _stop(desk: Desk) -> None:
    if desk.state.watch is not None:
        desk.state.watch.stop()
        desk.state.watch = None


def _take(desk: Desk, photo: Path) -> None:
    """Take a photo in; it stays where it is."""
    name = "/".join(photo.parts[-1 - FOLDERS_READ :]).lstrip("/")
    desk.state.arrivals.add(Order(desk.book_path, photo, name, desk.settings, only_with_card=True))
