"""Measures every photo of known truth and says how wrong the program is.

python -m tests.accuracy                   measure what is there, print the tables
python -m tests.accuracy --committed       only the photos that are committed
python -m tests.accuracy --write           the whole set: also write figures.json, FIGURES.md, README
python -m tests.accuracy --risk            risk against coverage of the judge of the height's u; edge errors
python -m tests.accuracy --draw 2          photos with other seeds, that nobody has seen: do the ± hold there?
python -m tests.accuracy --gauge           the gauge: a slit of known height, measured and expected
python -m tests.accuracy --gauge --draw 2  the same photos drawn with other seeds (see fixtures.render)
python -m tests.accuracy --discs           printed discs on real photographs: too wide by how much, and why
python -m tests.accuracy --write-bounds    tighten bounds.json to the recorded figures (after --write)
python -m tests.accuracy FOLDER            what `aperture export --kind training` wrote: agreement with people
"""

import argparse
import subprocess
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import aperture
from fixtures.truth_design import cache_folder, set_name
from tests.accuracy import bounds, calibration, corrected, gauge, recorded, risk, tables
from tests.accuracy.figures import Case
from tests.accuracy.run import from_record, measure_photos, sources_hash
from tests.accuracy.truth_photos import COMMITTED, RENDER_COMMAND, ROOT, not_there, photos_in


def main(arguments: Sequence[str] | None = None) -> int:
    """Parse the command line, measure, print, write; the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.accuracy",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "folder", nargs="?", type=Path, help="what people corrected; then nothing else is measured"
    )
    parser.add_argument("--workers", type=int, default=1, help="photos measured at the same time")
    parser.add_argument("--committed", action="store_true", help="leave out the photos in the cache")
    parser.add_argument(
        "--exact-ruler",
        action="store_true",
        help="tell the program the true length of the printed bar, not what one reads to half a millimetre",
    )
    parser.add_argument("--photos", action="store_true", help="also a table of every photo, worst first")
    parser.add_argument(
        "--write", action="store_true", help="write figures.json, FIGURES.md, the README's table"
    )
    parser.add_argument("--risk", action="store_true", help="risk against coverage, and the edge's own error")
    parser.add_argument("--gauge", action="store_true", help="the photos of a slit of known height")
    parser.add_argument("--draw", type=int, default=1, help="which drawing of the whole set")
    parser.add_argument("--discs", action="store_true", help="three real photographs of printed discs")
    parser.add_argument("--write-bounds", action="store_true", help="tighten bounds.json; measures nothing")
    options = parser.parse_args(arguments)
    if options.folder is not None:
        return _beside_people(options.folder)
    if options.write and (options.committed or options.exact_ruler or options.draw > 1):
        parser.error("--write takes the whole set, as its users would measure it")
    if options.write_bounds:
        return _write_bounds()
    if options.gauge:
        return _gauge(options.committed, options.exact_ruler, options.draw)
    if options.discs:
        return _discs()
    kept = cache_folder(set_name("truth_set", options.draw))
    folders = [kept] if options.draw > 1 else [COMMITTED] if options.committed else [COMMITTED, kept]
    photos = photos_in(folders, options.exact_ruler)
    lacking = not_there(photos, options.draw)
    render_command = _of_draw(RENDER_COMMAND, options.draw)
    if options.write and lacking:
        print(f"{len(lacking)} photos of the set are not there, or not as the design has them now:")
        print(f"{', '.join(lacking[:8])}{' …' if len(lacking) > 8 else ''}. Render them into")
        print(f"{kept} with:  {render_command}")
        return 2
    if not photos:
        print(f"There are no photos of known truth. Render them with:  {render_command}")
        return 2
    if options.risk:
        print(risk.table(photos))
        return 0
    records = measure_photos(photos, options.workers, kept=kept, tell=_tell)
    cases = [from_record(record) for record in records]
    today = datetime.now(UTC).date().isoformat()
    print(tables.section(cases, aperture.__version__, today))
    if options.draw > 1:
        print(f"\n{calibration.table(cases, photos)}")
    if options.photos:
        print(f"\n{tables.photo_table(cases)}")
    if lacking:
        print(f"\nNot the whole set: {len(lacking)} photos are not there. {render_command} renders them.")
    if options.write:
        recorded.write(recorded.Recorded(aperture.__version__, today, sources_hash(), records))
        subprocess.run([sys.executable, str(ROOT / "tests" / "test_docs.py")], check=True)
        print(f"\nWritten: {recorded.FILE.name}, {recorded.TABLES.name} and the README's table of the worst.")
        print("Now look at --write-bounds.")
    return 0


def _of_draw(command: str, draw: int) -> str:
    """A command that renders a set, for one of its draws."""
    return command if draw == 1 else f"{command} --draw {draw}"


def _beside_people(folder: Path) -> int:
    try:
        print(corrected.table(corrected.judged(folder)))
    except ValueError as error:
        print(error)
        return 2
    return 0


def _gauge(committed: bool, exact_ruler: bool, draw: int) -> int:
    """Print how wrong the gauge is; 2 where there is no photo of it."""
    photos = gauge.gauge_photos(gauge.folders(draw, committed), exact_ruler)
    if not photos:
        command = _of_draw(gauge.RENDER_COMMAND, draw)
        print(f"There are no photos of a gauge. Render them with:  {command}")
        return 2
    print(gauge.table(photos))
    return 0


def _discs() -> int:
    """Print how wrong discs on real photographs are, and why; 2 where the photographs are not there."""
    from tests.accuracy import disc_causes, discs

    if not discs.FOLDER.is_dir():
        print(f"The photographs of printed discs are not in {discs.FOLDER}.")
        return 2
    print(disc_causes.table())
    return 0


def _tell(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _write_bounds() -> int:
    """Tighten the bounds to the recorded figures; name those that the figures cross."""
    cases = recorded.read().cases()
    committed = {photo.name for photo in photos_in([COMMITTED])}
    parts: dict[str, list[Case]] = {
        bounds.EVERY_PHOTO: cases,
        bounds.COMMITTED_PHOTOS: [case for case in cases if case.name in committed],
    }
    before = bounds.read()
    crossed = []
    for part, chosen in parts.items():
        now = bounds.bounded(chosen)
        crossed += [f"{part}, {line}" for line in bounds.worse(now, before.get(part, {}))]
        before[part] = bounds.tightened(now, before.get(part, {}))
    bounds.FILE.write_text(bounds.text_of(before), encoding="utf-8", newline="\n")
    print(f"Written: {bounds.FILE.name}. It tightens and never loosens.")
    if crossed:
        print("These figures got worse than their bound. Mend the program, or loosen by hand and say why:")
        print("\n".join(crossed))
    return 1 if crossed else 0


if __name__ == "__main__":
    sys.exit(main())
