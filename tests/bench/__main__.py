"""How fast, and how hard to break: every figure with its bound.

python -m tests.bench                  all parts, printed
python -m tests.bench start book       only these parts
python -m tests.bench --write          also written to figures.json, FIGURES.md, the README
"""

import argparse
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.bench import figures

HERE = Path(__file__).parent
PARTS = sorted(file.stem.removeprefix("bench_") for file in HERE.glob("bench_*.py"))
# The suite's own options would spread the benches over processes, where they would disturb each other.
OPTIONS = ["-o", "addopts=", "-o", "python_files=bench_*.py", "-o", "python_functions=bench_*"]
OPTIONS += ["--import-mode=importlib", "-q", "-s"]


class _Collector:
    """Takes the findings out of pytest when it is done."""

    found: list[figures.Figure | figures.Trial]

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        hooks = session.config.pluginmanager.get_plugins()
        self.found = next(plugin.FOUND for plugin in hooks if hasattr(plugin, "FOUND"))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the parts in this process, one after the other; the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("parts", nargs="*", help=", ".join(PARTS))
    parser.add_argument("--write", action="store_true", help="write figures.json, FIGURES.md, the README")
    options = parser.parse_args(arguments)
    parts = options.parts or PARTS
    if unknown := set(parts) - set(PARTS):
        parser.error(f"there is no part {', '.join(sorted(unknown))}; there are: {', '.join(PARTS)}")
    files = [str(HERE / f"bench_{part}.py") for part in parts]
    collector = _Collector()
    status = pytest.main(
        [*OPTIONS, *files],
        plugins=[collector],
    )
    print(f"\n{figures.tables(collector.found)}")
    if options.write:
        figures.record(set(parts), collector.found)
        subprocess.run([sys.executable, str(HERE.parent / "test_docs.py")], check=True)
    return int(status)


if __name__ == "__main__":
    sys.exit(main())
