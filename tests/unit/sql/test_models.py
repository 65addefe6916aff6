"""The runner: headers, order, and errors that say what, where and what to do."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import OurFault
from pipeline.warehouse.models import in_reading_order, load_models, run_checks, run_models

SQL = Path(__file__).parents[3] / "sql"
HEADER = (
    "-- grain: one row\n-- key: a\n-- reads: {reads}\n-- units: none\n-- leaves out: nothing\n-- why: {why}\n"
)


def write(folder: Path, name: str, select: str, reads: str = "", why: str = "a test", more: str = "") -> None:
    path = folder / f"{name}.sql"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(HEADER.format(reads=reads or "core.given", why=why) + more + "\n" + select)


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute("create schema core")
    con.execute("create table core.given as select * from (values (1), (2)) as rows (a)")
    return con


def test_models_run_after_those_they_read(tmp_path: Path, con: duckdb.DuckDBPyConnection) -> None:
    write(tmp_path, "mart/a_last", "select a from core.b_first", reads="core.b_first")
    write(tmp_path, "core/b_first", "select a from core.given")
    assert run_models(con, load_models(tmp_path)) == ["core.b_first", "mart.a_last"]
    assert con.execute("select a from mart.a_last order by a").fetchall() == [(1,), (2,)]


def test_running_again_replaces_the_table(tmp_path: Path, con: duckdb.DuckDBPyConnection) -> None:
    write(tmp_path, "core/copy", "select a from core.given")
    run_models(con, load_models(tmp_path))
    con.execute("delete from core.given where a = 1")
    run_models(con, load_models(tmp_path))
    assert con.execute("select a from core.copy").fetchall() == [(2,)]


def test_a_model_kept_as_a_view_follows_what_it_reads(tmp_path: Path, con: duckdb.DuckDBPyConnection) -> None:
    write(tmp_path, "core/seen", "select a from core.given", more="-- kept as: view\n")
    run_models(con, load_models(tmp_path))
    con.execute("insert into core.given values (3)")
    assert con.execute("select max(a) from core.seen").fetchall() == [(3,)]


def test_a_header_line_may_go_on_below(tmp_path: Path) -> None:
    write(tmp_path, "core/long", "select 1 as a", why="first line,\n--   second: line")
    assert load_models(tmp_path)[0].header["why"] == "first line, second: line"


def test_models_in_a_circle_are_named(tmp_path: Path) -> None:
    write(tmp_path, "core/one", "select a from core.two", reads="core.two")
    write(tmp_path, "core/two", "select a from core.one", reads="core.one")
    with pytest.raises(OurFault, match=r"circle(?s:.*)core\.(one|two)"):
        in_reading_order(load_models(tmp_path))


@pytest.mark.parametrize(
    ("select", "message"),
    [
        ("select a from core.absent", "absent"),
        ("select 1 as a; select 2 as a", "one SELECT"),
        ("drop table core.given", "one SELECT"),
        ("selct 1", "refuses"),
    ],
)
def test_a_bad_model_is_our_fault_and_named(
    tmp_path: Path, con: duckdb.DuckDBPyConnection, select: str, message: str
) -> None:
    write(tmp_path, "core/bad", select)
    with pytest.raises(OurFault, match=message) as caught:
        run_models(con, load_models(tmp_path))
    assert caught.value.where == "sql/core/bad.sql"
    assert con.execute("select count(*) from core.given").fetchall() == [(2,)]


def test_a_header_without_a_word_is_refused(tmp_path: Path) -> None:
    (tmp_path / "core").mkdir()
    (tmp_path / "core" / "bare.sql").write_text("-- grain: one row\nselect 1 as a")
    with pytest.raises(OurFault, match="key, reads, units, leaves out, why"):
        load_models(tmp_path)


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OurFault, match="no SQL file"):
        load_models(tmp_path)


def test_a_check_holds_breaks_or_says_it_judged_nothing(
    tmp_path: Path, con: duckdb.DuckDBPyConnection
) -> None:
    judges = "-- level: {}\n-- judges: select count(*) from core.given where {}\n"
    write(
        tmp_path, "check/a_holds", "select a from core.given where a > 9", more=judges.format("fail", "true")
    )
    write(tmp_path, "check/b_breaks", "select a from core.given", more=judges.format("fail", "a > 0"))
    write(
        tmp_path, "check/c_idle", "select a from core.given where a > 9", more=judges.format("warn", "a > 9")
    )
    holds, breaks, idle = run_checks(con, load_models(tmp_path / "check"))
    assert (holds.outcome, holds.n_judged) == ("holds", 2)
    assert (breaks.outcome, breaks.n_broken, breaks.must_stop) == ("broken", 2, True)
    assert breaks.rows["a"].to_list() == [1, 2]
    assert breaks.sentence() == "b_breaks: broken by 2 rows, first a = 1: a test"
    assert (idle.outcome, idle.must_stop) == ("judged_nothing", False)
    assert "nothing to judge" in idle.sentence()


def test_checks_are_no_models(tmp_path: Path) -> None:
    write(tmp_path, "core/copy", "select a from core.given")
    write(tmp_path, "check/a_check", "select a from core.copy", reads="core.copy")
    assert [m.full_name for m in load_models(tmp_path)] == ["core.copy"]
    assert [m.full_name for m in load_models(tmp_path / "check")] == ["check.a_check"]


def test_a_check_needs_its_level(tmp_path: Path, con: duckdb.DuckDBPyConnection) -> None:
    write(tmp_path, "check/loose", "select a from core.given", more="-- judges: select 1\n")
    with pytest.raises(OurFault, match="level"):
        run_checks(con, load_models(tmp_path / "check"))


@pytest.mark.parametrize("model", load_models(SQL) + load_models(SQL / "check"), ids=lambda m: m.full_name)
def test_every_header_names_the_tables_that_are_read(model) -> None:
    body = re.sub(r"--[^\n]*", "", model.sql)
    assert set(re.findall(r"\b(?:core|tally|mart|audit|quarantine)\.[a-z_]+\b(?!\.)", body)) == set(
        model.reads
    )
