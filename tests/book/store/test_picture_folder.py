"""The folder of a book's pictures is its own, and what an earlier version kept elsewhere is brought there.

Outside the project: hashes and inodes of files, and SIGKILL between any two steps.
"""

import errno
import multiprocessing
import os
import shutil
import signal
import sys

import pytest

from aperture.book.backup.checking import check
from aperture.book.backup.keeping import back_up
from aperture.book.backup.restoring import restore
from aperture.book.store import book_file, picture_folder
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from aperture.errors import BookError
from tests.book.backup.test_keeping import add_photo, everything, files_in, rows_of, spoil
from tests.breaking import disks

LINKS = pytest.mark.skipif(sys.platform == "win32", reason="making links needs rights there")
LEFT = "An earlier version kept the book's pictures in this folder; the book has them in its own now."


def a_book(path, *numbers):
    with Book(path, create=True) as book, book.writing():
        for number in numbers:
            add_photo(book, number, book.add_reed(number))
    return path


def made_old(*paths, folder=None):
    """The books as an earlier version left them: pictures in one folder without the ending of the name."""
    folder = folder or paths[0].with_name(f"{paths[0].stem}-pictures")
    for path in paths:
        shutil.copytree(pictures_folder(path), folder, dirs_exist_ok=True)
        shutil.rmtree(pictures_folder(path))
    return folder


def is_whole(path):
    """Nothing is lost of a book, and all that it names is where `Book` says."""
    findings = check(path)
    assert not findings.loss, findings.found
    with Book(path) as book:
        assert book_file.named_pictures(book._connection) <= set(files_in(book.pictures))
    return {finding.what for finding in findings.found}


@pytest.fixture
def two(tmp_path):
    """Two books that differ in their ending only; photo 3 is in both."""
    return a_book(tmp_path / "reeds.db", 1, 2, 3), a_book(tmp_path / "reeds.sqlite3", 3, 4, 5)


@pytest.fixture
def two_old(two):
    return two, made_old(*two)


def test_two_books_side_by_side_have_a_folder_each_and_restoring_one_touches_nothing_of_the_other(two):
    mine, other = two
    assert [pictures_folder(path).name for path in two] == ["reeds.db-pictures", "reeds.sqlite3-pictures"]
    before, mine_before = everything(other), everything(mine)
    with Book(mine) as book:
        archive = back_up(book, mine.with_name("backup.zip")).path
    aside = restore(archive, mine).moved_aside
    assert everything(other) == before
    assert everything(mine) == everything(aside) == mine_before
    assert check(other).found == check(mine).found == check(aside).found == ()


def test_the_folder_of_an_old_book_gets_its_name(tmp_path):
    path = a_book(tmp_path / "reeds.sqlite3", 1, 2)
    before = everything(path)
    folder = made_old(path)
    (folder / "Thumbs.db").write_bytes(b"x")
    inode = folder.stat().st_ino
    with Book(path) as book:
        assert book.pictures == pictures_folder(path)
    assert pictures_folder(path).stat().st_ino == inode  # one step, however many pictures
    assert not folder.exists()
    (pictures_folder(path) / "Thumbs.db").unlink()
    assert everything(path) == before
    assert is_whole(path) == set()


@pytest.mark.parametrize("first", [0, 1])
def test_two_old_books_get_what_each_names_and_nothing_is_taken_away(two_old, first):
    two, folder = two_old
    before = files_in(folder)
    for path in (two[first], two[1 - first]):
        with Book(path) as book:
            named = book_file.named_pictures(book._connection)
            assert set(files_in(book.pictures)) == named
        assert files_in(folder) == before
    assert [is_whole(path) for path in two] == [{LEFT}, {LEFT}]
    # What `verify` advises then does no harm.
    shutil.rmtree(folder)
    assert [is_whole(path) for path in two] == [set(), set()]


def test_restoring_one_of_two_old_books_leaves_the_pictures_of_the_other(two_old):
    (mine, other), folder = two_old
    new = a_book(folder.parent / "else" / "new.sqlite3", 7)
    with Book(new) as book:
        archive = back_up(book, folder.parent / "backup.zip").path
    rows, before = rows_of(mine), files_in(folder)
    restored = restore(archive, mine)
    assert files_in(folder) == before
    assert rows_of(restored.moved_aside) == rows
    assert is_whole(restored.moved_aside) == set()
    assert is_whole(other) == {LEFT}
    assert everything(mine) == everything(new)


def test_restoring_over_a_damaged_old_book_takes_its_pictures_aside_unless_another_may_need_them(two_old):
    (mine, other), folder = two_old
    with Book(a_book(folder.parent / "else" / "new.sqlite3", 7)) as book:
        archive = back_up(book, folder.parent / "backup.zip").path
    before = files_in(folder)
    mine.write_bytes(b"no database" + mine.read_bytes()[11:])
    restore(archive, mine)
    assert files_in(folder) == before
    other.unlink()
    mine.write_bytes(b"no database" + mine.read_bytes()[11:])
    shutil.rmtree(pictures_folder(mine))
    aside = restore(archive, mine).moved_aside
    assert files_in(pictures_folder(aside)) == before
    assert not folder.exists()


def test_pictures_of_a_book_that_is_elsewhere_just_now_are_not_taken(two_old):
    """Its file was moved away for a while: nobody can ask which pictures it names."""
    (mine, other), folder = two_old
    elsewhere = other.parent / "stick" / other.name
    elsewhere.parent.mkdir()
    other.rename(elsewhere)
    before = files_in(folder)
    assert is_whole(mine) == {LEFT}
    elsewhere.rename(other)
    assert files_in(folder) == before
    assert is_whole(other) == {LEFT}


def test_a_book_whose_name_has_no_ending_keeps_its_folder(tmp_path):
    """It is called now as those of `reeds.db` were called before."""
    plain, other = a_book(tmp_path / "reeds", 1), a_book(tmp_path / "reeds.db", 2)
    assert pictures_folder(plain) == made_old(other)
    before = files_in(pictures_folder(plain))
    assert is_whole(other) == {LEFT}
    assert is_whole(plain) == {"The book does not name this file."}
    assert files_in(pictures_folder(plain)) == before


def test_what_an_earlier_version_kept_after_the_move_comes_along(tmp_path):
    path = a_book(tmp_path / "reeds.sqlite3", 1)
    with Book(path) as book:
        add_photo(book, 2)
        name = sorted(files_in(book.pictures))[0]
        late = tmp_path / "reeds-pictures" / name
        late.parent.mkdir(parents=True)
        (book.pictures / name).rename(late)
    assert is_whole(path) == {LEFT}


@LINKS
def test_through_a_link_the_real_path_counts(tmp_path):
    real = a_book(tmp_path / "disk" / "real.sqlite3", 1, 2)
    link = tmp_path / "home" / "reeds.db"
    link.parent.mkdir()
    link.symlink_to(real)
    assert pictures_folder(link) == pictures_folder(real)
    # Whoever opened the link with an earlier version kept the pictures beside it.
    folder = made_old(real, folder=link.with_name("reeds-pictures"))
    before = files_in(folder)
    assert is_whole(link) == set()
    assert files_in(pictures_folder(real)) == before
    assert is_whole(real) == set()


@LINKS
def test_a_link_and_its_book_count_as_one(tmp_path):
    path = a_book(tmp_path / "reeds.sqlite3", 1)
    (tmp_path / "reeds.db").symlink_to(path)
    folder = made_old(path)
    assert is_whole(tmp_path / "reeds.db") == set()
    assert not folder.exists()


def test_a_memory_stick_that_knows_no_second_names_gets_copies(two_old, monkeypatch):
    def refuse(*_):
        raise OSError(errno.EPERM, "Operation not permitted")

    two, folder = two_old
    before = files_in(folder)
    monkeypatch.setattr(os, "link", refuse)
    assert [is_whole(path) for path in two] == [{LEFT}, {LEFT}]
    assert files_in(folder) == before


@pytest.mark.parametrize("trouble", [errno.EROFS, errno.ENOSPC])
def test_where_nothing_can_be_written_the_old_folder_is_used_as_it_is(two_old, monkeypatch, trouble):
    def refuse(*_, **__):
        raise OSError(trouble, os.strerror(trouble))

    two, folder = two_old
    before, names = files_in(folder), {path.name for path in folder.parent.iterdir()}
    with monkeypatch.context() as patched:
        for place, name in ((os, "link"), (os, "rename"), (picture_folder, "write_whole")):
            patched.setattr(place, name, refuse)
        if trouble == errno.EROFS:
            patched.setattr(book_file, "locked", refuse)
        for path in two:
            with Book(path) as book:
                assert book.pictures == folder
            assert not check(path).loss
            assert picture_folder.place_of_pictures(path) == folder
    assert files_in(folder) == before
    assert {path.name for path in folder.parent.iterdir()} - names <= {f"{path.name}.lock" for path in two}
    assert [is_whole(path) for path in two] == [{LEFT}, {LEFT}]


def test_a_new_book_beside_an_old_one_has_nothing_of_it(tmp_path):
    folder = made_old(a_book(tmp_path / "reeds.sqlite3", 1))
    before = files_in(folder)
    with Book(tmp_path / "reeds.db", create=True) as book:
        assert book.pictures == tmp_path / "reeds.db-pictures"
    assert check(tmp_path / "reeds.db").found == ()
    assert files_in(folder) == before
    assert is_whole(tmp_path / "reeds.sqlite3") == {LEFT}


def open_and_be_killed(path, step):
    count = iter(range(100))

    def killing(function):
        def one(*arguments, **more):
            if next(count) == step:
                os.kill(os.getpid(), signal.SIGKILL)
            return function(*arguments, **more)

        return one

    for name in ("link", "rename", "mkdir", "fsync"):
        setattr(os, name, killing(getattr(os, name)))
    Book(path).close()


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
@pytest.mark.parametrize("alone", [True, False])
def test_killed_in_between_both_are_readable_and_the_next_run_ends_it(two_old, alone):
    (mine, other), folder = two_old
    if alone:  # all in the old folder is named by one book
        other.unlink()
        for name in set(files_in(folder)) - named_in(mine):
            (folder / name).unlink()
    before = files_in(folder)
    context = multiprocessing.get_context("fork")
    for step in range(100):
        process = context.Process(target=open_and_be_killed, args=(mine, step))
        process.start()
        process.join(60)
        # Nothing is lost, whatever was done.
        place = folder if folder.exists() else pictures_folder(mine)
        assert files_in(place) == before
        if not alone:
            assert not check(other).loss
        if process.exitcode == 0:
            break
        assert process.exitcode == -signal.SIGKILL
        if pictures_folder(mine).exists() and not alone:
            assert set(files_in(pictures_folder(mine))) == named_in(mine)
            shutil.rmtree(pictures_folder(mine))
        elif not folder.exists():
            pictures_folder(mine).rename(folder)
    assert step > (1 if alone else 8)
    assert not check(mine).loss


def named_in(path):
    """Read without the program opening it, which would move what it names."""
    rows = rows_of(path)
    kept = {row[5] for row in rows["photos"]}
    return {value for row in rows["readings"] for value in row if str(value).endswith("-tip.jpg")} | kept


# A book whose file is gone


@pytest.mark.parametrize("old", [False, True])
@pytest.mark.parametrize("create", [False, True])
def test_a_book_whose_file_is_gone_is_not_begun_again(tmp_path, create, old):
    path = a_book(tmp_path / "reeds.sqlite3", 1)
    with Book(path) as book:
        archive = back_up(book, tmp_path / "backup.zip").path
    expected = everything(path)
    folder = made_old(path) if old else pictures_folder(path)
    path.unlink()
    with pytest.raises(BookError, match="book-gone") as caught:
        Book(path, create=create)
    assert str(folder) in caught.value.detail
    assert not path.exists()
    # Both that is advised works.
    with Book(tmp_path / "another.sqlite3", create=True) as book:
        assert book.photos() == []
    aside = restore(archive, path).moved_aside
    assert everything(path) == expected
    assert files_in(pictures_folder(aside)) == expected[1]


def test_an_empty_file_beside_pictures_is_no_new_book(tmp_path):
    path = a_book(tmp_path / "reeds.sqlite3", 1)
    made_old(path)
    path.write_bytes(b"")
    with pytest.raises(BookError, match="book-damaged"):
        Book(path, create=True)
    assert path.read_bytes() == b""


def test_a_name_in_a_book_leads_nowhere_else(tmp_path):
    """A row may say anything; only what lies in the folder is ever linked."""
    path = a_book(tmp_path / "reeds.sqlite3", 1)
    folder = made_old(path)
    (tmp_path / "secret.jpg").write_bytes(b"mine")
    picture_folder.gather(path, {"../secret.jpg", "../../secret.jpg", *files_in(folder)})
    assert {path.parent.parent.name for path in tmp_path.rglob("*.jpg") if path.name != "secret.jpg"} == {
        "reeds.sqlite3-pictures"
    }


def test_a_damaged_old_book_keeps_its_folder(tmp_path):
    path = a_book(tmp_path / "reeds.sqlite3", *range(1, 30))
    folder = made_old(path)
    before = files_in(folder)
    spoil(path)
    assert check(path).loss
    place = folder if folder.exists() else pictures_folder(path)
    assert files_in(place) == before


def test_an_old_book_on_a_locked_medium_and_on_a_full_one_is_read_as_it_is(tmp_path):
    """In earnest: a disk that is mounted to be read only, and one without a byte left."""
    if not disks.can_mount(tmp_path):
        pytest.skip("a small disk can be mounted by root on Linux only")
    with disks.small_disk(tmp_path / "disk") as disk:
        two = a_book(disk / "reeds.db", 1, 2, 3), a_book(disk / "reeds.sqlite3", 3, 4, 5)
        folder = made_old(*two)
        before = files_in(folder)
        for state in (disks.locked(disk), disks._filled(disk, 0)):
            with state:
                for path in two:
                    with Book(path) as book:
                        assert {book.pictures} <= {folder, pictures_folder(path)}
                    assert not check(path).loss
            assert files_in(folder) == before
        assert [is_whole(path) for path in two] == [{LEFT}, {LEFT}]
