"""A lot is the same in an intake, however its code is spelt; and prices have nothing to do with photos."""

from aperture.book.photos.intake import take_in
from aperture.settings import change_settings
from tests.book.photos.test_intake import ALONE, box, picture, pretended  # noqa: F401 (a fixture)


def test_a_lot_spelt_in_another_way_is_the_reed_s_own(book, tmp_path, pretended):  # noqa: F811
    """Capital letters, and an accent typed as a character of its own (UAX 15, figure 3)."""
    book.add_lot("\u00c91", "post")
    list(take_in(book, box(tmp_path / "a", 2), ALONE, lot="e\u03011"))
    assert {reed.lot for reed in book.reeds()} == {"\u00c91"}
    (arrival,) = take_in(book, [picture(tmp_path / "b" / "R01_dry.jpg", 99)], ALONE, lot="\u00e91")
    assert (arrival.what, arrival.reed.lot) == ("filed", "\u00c91")


def test_another_currency_measures_nothing_again(book, tmp_path, pretended):  # noqa: F811
    photos = box(tmp_path / "box", 1)
    list(take_in(book, photos, ALONE))
    in_euros = change_settings(ALONE, {"currency": "EUR"})
    assert [arrival.what for arrival in take_in(book, photos, in_euros, again=True)] == ["known", "known"]
