"""What all tests share: in continuous integration a skipped test is a failure."""

from __future__ import annotations

import os

import pytest

os.environ.setdefault("DO_NOT_TRACK", "1")


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if not os.environ.get("EVAPFLEET_NO_SKIPS") or exitstatus:
        return
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped", []) if reporter else []
    if skipped:
        for report in skipped:
            reporter.write_line(f"must not skip here: {report.nodeid}", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
