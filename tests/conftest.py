"""What all tests share: long files come first, and in continuous integration a skipped test is a failure."""

from __future__ import annotations

import atexit
import os
import shutil
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parents[1]
#: Each worker takes whole files: the longest come first, or one worker is left alone with them at the end.
#: While one compiles the kernels in the first file, the other checks types; from then on both find them compiled.
LONG_FILES = (
    "tests/unit/traces/test_verdicts.py",
    "tests/house/test_house.py",
    "tests/end_to_end/test_sample_lake.py",
    "tests/browser/test_pages_in_chromium.py",
    "tests/end_to_end/test_memory_of_files.py",
    "tests/end_to_end/test_oracle.py",
    "tests/end_to_end/test_output_folder.py",
    "tests/end_to_end/test_full_disk.py",
    "tests/end_to_end/test_bad_input.py",
    "tests/end_to_end/test_oracle_models.py",
    "tests/unit/statistics/test_stats_sizes.py",
    "tests/unit/reports/test_report_build.py",
)

if os.environ.pop("PYTHONDONTWRITEBYTECODE", None):
    # Else every process of the suite would compile all libraries anew; so they do it once, away from the sources.
    sys.pycache_prefix = os.environ.setdefault("PYTHONPYCACHEPREFIX", str(Path(sys.prefix) / "bytecode"))
    sys.dont_write_bytecode = False
os.environ.setdefault("DO_NOT_TRACK", "1")
# How long an example takes is the machine's business: beside other work 0.3 ms were 260 once, and a test failed.
settings.register_profile("any_machine", deadline=None)
settings.load_profile("any_machine")
# Two workers may each start a Prefect server: they must not share a database.
os.environ["PREFECT_HOME"] = tempfile.mkdtemp(prefix="evapfleet-prefect-")
atexit.register(shutil.rmtree, os.environ["PREFECT_HOME"], ignore_errors=True)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {ROOT / name: n for n, name in enumerate(LONG_FILES)}
    items.sort(key=lambda item: place.get(item.path, len(place)))


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if not os.environ.get("EVAPFLEET_NO_SKIPS") or exitstatus:
        return
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped", []) if reporter else []
    if skipped:
        for report in skipped:
            reporter.write_line(f"must not skip here: {report.nodeid}", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
