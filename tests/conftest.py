"""What all tests share: in continuous integration a skipped test is a failure."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile

import pytest

os.environ.setdefault("DO_NOT_TRACK", "1")
# Two workers may each start a Prefect server: they must not share a database.
os.environ["PREFECT_HOME"] = tempfile.mkdtemp(prefix="evapfleet-prefect-")
atexit.register(shutil.rmtree, os.environ["PREFECT_HOME"], ignore_errors=True)


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if not os.environ.get("EVAPFLEET_NO_SKIPS") or exitstatus:
        return
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped", []) if reporter else []
    if skipped:
        for report in skipped:
            reporter.write_line(f"must not skip here: {report.nodeid}", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
