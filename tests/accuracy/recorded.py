"""The recorded results of the whole truth set, `figures.json`, and FIGURES.md made from them."""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.accuracy.figures import Case
from tests.accuracy.run import Record, from_record
from tests.accuracy.tables import section

FILE = Path(__file__).with_name("figures.json")
TABLES = FILE.with_name("FIGURES.md")
START, END = "<!-- accuracy:start -->", "<!-- accuracy:end -->"


@dataclass(frozen=True)
class Recorded:
    """Results of every photo of the set; the program's version, the date, the sources' fingerprint."""

    version: str
    date: str
    sources: str
    records: Sequence[Record]

    def cases(self) -> list[Case]:
        """The results beside their truth."""
        return [from_record(record) for record in self.records]

    def section(self) -> str:
        """What must stand in FIGURES.md."""
        return section(self.cases(), self.version, self.date)


def read(path: Path = FILE) -> Recorded:
    """What was recorded last."""
    content = json.loads(path.read_text(encoding="utf-8"))
    return Recorded(content["version"], content["date"], content["sources"], content["photos"])


def write(results: Recorded, path: Path = FILE, tables: Path = TABLES) -> None:
    """Record results, one line per photo, and put their tables into FIGURES.md."""
    lines = ",\n".join(f"  {json.dumps(record, ensure_ascii=False)}" for record in results.records)
    head = {"version": results.version, "date": results.date, "sources": results.sources}
    text = json.dumps(head)[:-1] + f', "photos": [\n{lines}\n]}}\n'
    path.write_text(text, encoding="utf-8", newline="\n")
    page = tables.read_text(encoding="utf-8")
    found = _between(page)
    page = f"{page[: found.start(1)]}\n{results.section()}\n{page[found.end(1) :]}"
    tables.write_text(page, encoding="utf-8", newline="\n")


def section_in(tables: Path = TABLES) -> str:
    """What stands between the markers."""
    return _between(tables.read_text(encoding="utf-8"))[1].strip()


def _between(page: str) -> re.Match[str]:
    found = re.search(f"{START}(.*?){END}", page, re.DOTALL)
    if found is None:
        raise ValueError(f"FIGURES.md has no {START} … {END}")
    return found
