"""The recorded results of the whole truth set, `figures.json`, and the README's section made from them."""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.accuracy.figures import Case
from tests.accuracy.run import Record, from_record
from tests.accuracy.tables import section
from tests.accuracy.truth_photos import ROOT

FILE = Path(__file__).with_name("figures.json")
README = ROOT / "README.md"
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
        """What must stand in the README."""
        return section(self.cases(), self.version, self.date)


def read(path: Path = FILE) -> Recorded:
    """What was recorded last."""
    content = json.loads(path.read_text(encoding="utf-8"))
    return Recorded(content["version"], content["date"], content["sources"], content["photos"])


def write(results: Recorded, path: Path = FILE, readme: Path = README) -> None:
    """Record results, one line a photo, and put their tables into the README."""
    lines = ",\n".join(f"  {json.dumps(record, ensure_ascii=False)}" for record in results.records)
    head = {"version": results.version, "date": results.date, "sources": results.sources}
    text = json.dumps(head)[:-1] + f', "photos": [\n{lines}\n]}}\n'
    path.write_text(text, encoding="utf-8", newline="\n")
    page = readme.read_text(encoding="utf-8")
    found = _between(page)
    page = f"{page[: found.start(1)]}\n{results.section()}\n{page[found.end(1) :]}"
    readme.write_text(page, encoding="utf-8", newline="\n")


def section_in(readme: Path = README) -> str:
    """What stands between the markers."""
    return _between(readme.read_text(encoding="utf-8"))[1].strip()


def _between(page: str) -> re.Match[str]:
    found = re.search(f"{START}(.*?){END}", page, re.DOTALL)
    if found is None:
        raise ValueError(f"the README has no {START} … {END}")
    return found
