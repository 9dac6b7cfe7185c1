"""The kept pictures, for those who may see them."""

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from aperture.book.photos.pictures import place_of
from aperture.book.store.picture_folder import place_of_pictures
from aperture.desk.uploads import may_see
from aperture.desk.web import cameras_too, desk_of

_PICTURE_MEDIA_TYPES = {
    ".jpg": "image/jpeg",
    ".png": "image/png",
    ".heic": "image/heic",
    ".avif": "image/avif",
    ".webp": "image/webp",
}


@cameras_too
def picture(request: Request) -> Response:
    """One picture, by its name in the picture folder."""
    name = f"{request.path_params['first']}/{request.path_params['name']}"
    try:
        place = place_of(place_of_pictures(desk_of(request).book_path), name)
    except ValueError:
        raise HTTPException(404, "There is no such picture.") from None
    if not may_see(request, place.name[:64]) or not place.is_file():
        raise HTTPException(404, "There is no such picture.")
    return FileResponse(place, media_type=_PICTURE_MEDIA_TYPES[place.suffix])


routes = [Route("/picture/{first}/{name}", picture)]
