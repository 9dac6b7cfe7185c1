"""What could lose or spoil the reed book, tried often: each row counts tried, survived, lost."""

import sys
from pathlib import Path

import pytest

from tests.bench.figures import Findings
from tests.breaking import Count, damage, disks, files, killing, mix_ups, oddities, pressure

SEED = 2026


def _keep(findings: Findings, what: str, count: Count, note: str = "") -> None:
    for trouble in count.troubles:
        print(f"LOST: {what}: {trouble}")
    findings.trial(what, count.tried, count.survived, count.lost, count.note or note)
    assert count.lost == 0


def bench_killed_intake(findings: Findings, tmp_path: Path) -> None:
    _keep(findings, "SIGKILL of an intake", killing.kill_intake(tmp_path, 200, SEED))


def bench_killed_command(findings: Findings, tmp_path: Path) -> None:
    count = killing.kill_command(tmp_path, 8, SEED)
    _keep(findings, "SIGKILL of `aperture intake` with two workers", count)


def bench_killed_desk(findings: Findings, tmp_path: Path) -> None:
    count = killing.kill_desk(tmp_path, 15, SEED)
    _keep(findings, "SIGKILL of the desk while photos are sent to it", count, "and the photo sent again")


def bench_killed_upgrade(findings: Findings, tmp_path: Path) -> None:
    _keep(findings, "SIGKILL of a book's upgrade", killing.kill_upgrade(tmp_path, 60, SEED))


def bench_killed_backup(findings: Findings, tmp_path: Path) -> None:
    _keep(findings, "SIGKILL of a backup", killing.kill_backup(tmp_path, 40, SEED))


def bench_killed_restore(findings: Findings, tmp_path: Path) -> None:
    _keep(findings, "SIGKILL of a restore", killing.kill_restore(tmp_path, 30, SEED))


# On a full disk the library that writes workbooks leaves its files open.
@pytest.mark.filterwarnings("ignore:Exception ignored in:pytest.PytestUnraisableExceptionWarning")
def bench_disks(findings: Findings, tmp_path: Path) -> None:
    if not disks.can_mount(tmp_path):
        pytest.skip("a small disk can be mounted by root on Linux only")
    for kind, count in disks.full_disk(tmp_path, 12, SEED).items():
        _keep(findings, f"A full disk: {kind}", count)
    _keep(findings, "A full disk: the desk's pages", disks.pages_of_a_full_disk(tmp_path / "pages"))
    for kind, count in disks.read_only(tmp_path, SEED).items():
        _keep(findings, f"A {kind} that cannot be written", count, "commands that read, and that write")


def bench_clock(findings: Findings, tmp_path: Path) -> None:
    count = oddities.wrong_clock(tmp_path, 60, SEED)
    _keep(findings, "A clock set back and forth, twelve entries each", count)


def bench_names(findings: Findings, tmp_path: Path) -> None:
    note = "spaces, quotes, %, #, ?, line breaks, other scripts, emoji"
    _keep(findings, "Odd names of folders, books and photos", oddities.odd_names(tmp_path / "odd"), note)
    (tmp_path / "long").mkdir()
    _keep(findings, "Long names", oddities.long_names(tmp_path / "long"))


def bench_side_by_side(findings: Findings, tmp_path: Path) -> None:
    count = mix_ups.side_by_side(tmp_path, 12, SEED)
    _keep(findings, "Two books side by side that shared one picture folder", count)


def bench_demo_in_used_folder(findings: Findings, tmp_path: Path) -> None:
    _keep(findings, "The demo into a used folder", mix_ups.demo_in_used_folder(tmp_path))


def bench_hostile_dates(findings: Findings, tmp_path: Path) -> None:
    count = mix_ups.hostile_dates(tmp_path, 60, SEED)
    _keep(findings, "Dates that cannot be, and what is entered after them", count)


def bench_held(findings: Findings, tmp_path: Path) -> None:
    _keep(findings, "A book held by another process", oddities.held(tmp_path, 2), "commands and what follows")


@pytest.mark.parametrize("kind", files.KINDS)
def bench_no_photos(findings: Findings, tmp_path: Path, kind: str) -> None:
    _keep(findings, f"No photo, but called like one: {kind}", files.no_photos(tmp_path, kind))


def bench_silent_connections(findings: Findings, tmp_path: Path) -> None:
    if sys.platform != "linux":
        pytest.skip("limits as Linux has them")
    _keep(findings, "The desk's pages behind silent connections", pressure.silent(tmp_path, 1100))


def bench_slow_connections(findings: Findings, tmp_path: Path) -> None:
    if sys.platform != "linux":
        pytest.skip("addresses as Linux has them")
    _keep(findings, "The desk's pages beside slow requests and uploads", pressure.slow(tmp_path, 60))


def bench_held_desk(findings: Findings, tmp_path: Path) -> None:
    count = pressure.held(tmp_path, 5)
    _keep(findings, "The desk's pages while another process holds the book's write lock", count)


def bench_damage(findings: Findings, tmp_path: Path) -> None:
    count = damage.damaged(tmp_path, 150, SEED)
    _keep(findings, "Bytes of the book overwritten at random places", count)
