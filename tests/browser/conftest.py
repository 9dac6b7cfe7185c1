"""The fixtures of the tests in a browser, for all files of this folder; without a browser there are none."""

from contextlib import suppress

import pytest

# A file of tests that imports from there then is skipped, with the reason.
with suppress(pytest.skip.Exception):
    from tests.browser.windows import (  # noqa: F401
        book_of_two,
        chromium,
        desk,
        enter,
        house,
        laptop,
        one_browser,
        one_worker,
        phone,
        review,
        two_photos,
        windows,
        worker,
    )
