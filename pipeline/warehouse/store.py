"""Open a warehouse, read and write its tables. The only room that opens a database.

A run builds a new file beside the old one and puts it in place in one step when it has succeeded
(`pipeline.steps.folder`), so a reader never sees half a run.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path

import duckdb
import polars as pl

from pipeline.contract.fields import Kind
from pipeline.contract.table_form import count, text
from pipeline.contract.tables import Column, Table
from pipeline.errors import EvapfleetError, OurFault, Transient, WrongUsage
from pipeline.full_disk import is_of_a_full_disk

#: rows of a large table that are held in memory at once
PART_ROWS = 1_000_000
#: the database writes to disk what it cannot hold in so much memory, or in 80 % of what the machine has
MOST_MEMORY_GIB = 4.5

SCHEMAS = ("stage", "core", "quarantine", "audit", "tally", "mart")

#: type of a contract field -> DuckDB type
DUCKDB_TYPES = {
    "text": "VARCHAR",
    "integer": "BIGINT",
    "number": "DOUBLE",
    "boolean": "BOOLEAN",
    "date": "DATE",
    "time": "TIMESTAMP WITH TIME ZONE",
    "text_list": "VARCHAR[]",
    "check_list": "VARCHAR[]",
}


def quoted(text: str) -> str:
    """Return `text` as an SQL string literal."""
    return "'" + text.replace("'", "''") + "'"


def named(name: str) -> str:
    """Return `schema.table` or a column name as quoted SQL identifiers."""
    return ".".join('"' + part.replace('"', '""') + '"' for part in name.split("."))


class Warehouse:
    """One open DuckDB file. Times are UTC."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self.con = con
        con.execute("set TimeZone = 'UTC'")
        con.execute("set preserve_insertion_order = true")
        con.execute("set enable_progress_bar = false")

    def table(self, name: str) -> pl.DataFrame:
        """Return a table or view whole, as it is ordered. Reads only."""
        return self.query(f"select * from {named(name)}")

    def query(self, sql: str, parameters: list[object] | None = None) -> pl.DataFrame:
        """Return what one SELECT yields. Reads only."""
        arrow = self.con.sql(sql, params=parameters or []).to_arrow_table()
        return pl.DataFrame(pl.from_arrow(arrow))

    def parts(self, name: str) -> Iterator[pl.DataFrame]:
        """Yield a table in parts of at most PART_ROWS rows, at least one. Reads only."""
        n = self.con.execute(f"select count(*) from {named(name)}").fetchall()[0][0]
        for first in range(0, max(n, 1), PART_ROWS):
            yield self.query(
                f"select * from {named(name)} where rowid >= ? and rowid < ?", [first, first + PART_ROWS]
            )

    def has(self, name: str) -> bool:
        """Say whether a table or view of that name is there."""
        schema, table = name.split(".")
        found = self.con.execute(
            "select count(*) from information_schema.tables"
            " where table_catalog = current_database() and table_schema = ? and table_name = ?",
            [schema, table],
        ).fetchall()
        return found[0][0] > 0

    def read_through(self) -> None:
        """Read every value of every table, so that a damaged block shows now. Reads only.

        The size of the file tells nothing: a sound one may count free blocks at its end that were never written.
        """
        for name in self.query(
            "select schema_name || '.' || table_name as name from duckdb_tables()"
            " where database_name = current_database() order by name"
        )["name"]:
            self.con.execute(f"select bit_xor(hash(whole)) from {named(name)} as whole").fetchall()

    def columns(self) -> dict[str, set[str]]:
        """Return the columns of every table and view, by `schema.table`. Reads only."""
        found = self.con.execute(
            "select table_schema || '.' || table_name, list(column_name) from information_schema.columns"
            " where table_catalog = current_database() group by all"
        ).fetchall()
        return {name: set(columns) for name, columns in found}

    @contextmanager
    def attached(self, path: Path) -> Iterator[str]:
        """Attach another warehouse for reading; yield the name it goes by.

        Raises
        ------
        WrongUsage : it is damaged.
        """
        try:
            self.con.execute(f"attach {quoted(str(path))} as previous (read_only)")
            yield "previous"
            self.con.execute("detach previous")
        except duckdb.Error as problem:
            raise _told(problem, path) from problem

    def create(self, name: str, columns: list[tuple[str, str]]) -> None:
        """Create an empty table; `columns` are (name, DuckDB type). Replaces one table whole."""
        body = ", ".join(f"{named(column)} {type_}" for column, type_ in columns)
        self.con.execute(f"create or replace table {named(name)} ({body})")

    def append(self, name: str, frame: pl.DataFrame) -> None:
        """Append rows to a table, matched by column name; columns the frame lacks are null."""
        if frame.height == 0:
            return
        columns = ", ".join(named(column) for column in frame.columns)
        self.con.register("incoming", frame)
        try:
            self.con.execute(f"insert into {named(name)} ({columns}) select {columns} from incoming")
        finally:
            self.con.unregister("incoming")

    def write(
        self, table: Table, frames: pl.DataFrame | Iterable[pl.DataFrame], order: str | None = None
    ) -> None:
        """Write an output table of the contract: its columns, its comments. Replaces it whole.

        Rows stand as they come; with `order`, an ORDER BY list, all frames are gathered first and sorted, and the
        column `rank` counts them from 1.
        """
        self.create(table.full_name, [(c.name, c.type) for c in table.columns])
        # Comments on a table whose rows are not yet where they stay cost ten times as much as on an empty one.
        self.comment(table.full_name, table.grain, table.columns)
        target = "gathered" if order else table.full_name
        if order:
            self.con.execute(f"create or replace temp table {target} as from {named(table.full_name)}")
        # What is gathered may be larger than memory: each part of it goes in by itself.
        with nullcontext() if order else self._at_once():
            for frame in [frames] if isinstance(frames, pl.DataFrame) else frames:
                self._require(table, frame.columns)
                self.append(target, frame.select(table.column_names))
        if order:
            self.con.execute(
                f"insert into {named(table.full_name)} select * replace (row_number() over () as rank)"
                f" from (from {target} order by {order})"
            ).fetchall()
            self.con.execute(f"drop table {target}")

    def declare(self, table: Table) -> None:
        """Give an output table that is filled the columns, types and comments of the contract; rows stay in order."""
        found = self.query(
            "select column_name, data_type from duckdb_columns() where database_name = current_database()"
            " and schema_name || '.' || table_name = ? order by column_index",
            [table.full_name],
        )
        self._require(table, found["column_name"].to_list())
        if found.rows() != [(c.name, c.type) for c in table.columns]:
            columns = ", ".join(f"{named(c.name)}::{c.type} as {named(c.name)}" for c in table.columns)
            name = named(table.full_name)
            self.con.execute(f"create or replace table {name} as select {columns} from {name}").fetchall()
        self.comment(table.full_name, table.grain, table.columns)

    @staticmethod
    def _require(table: Table, columns: list[str]) -> None:
        missing = [c for c in table.column_names if c not in columns]
        if missing:
            raise OurFault(
                f"the frame for {table.full_name} lacks {', '.join(missing)}",
                table.full_name,
                "report this: a table of the contract was not filled",
            )

    def comment(self, name: str, grain: str, columns: tuple[Column, ...], what: str = "table") -> None:
        """Write meaning and unit of a table (`what`: or view) and its columns into the database's own comments."""
        with self._at_once():
            self.con.execute(f"comment on {what} {named(name)} is {quoted(grain)}")
            for column in columns:
                text = f"{column.meaning} [{column.unit}]" if column.unit else column.meaning
                self.con.execute(f"comment on column {named(name)}.{named(column.name)} is {quoted(text)}")

    @contextmanager
    def _at_once(self) -> Iterator[None]:
        """Make many statements one transaction: each by itself waits until the disk has it."""
        self.con.execute("begin")
        try:
            yield
        except BaseException:
            self.con.execute("rollback")
            raise
        self.con.execute("commit")

    def close(self) -> None:
        self.con.close()


#: Where a record came from, beside its own fields.
ORIGIN = (
    text("source_id", "source: the folder below the lake that it came in"),
    text("file", "its file, below the lake"),
    count("row", "its record number in the file; 0 and less where it was made from the file's name"),
)


def kind_columns(kind: Kind, *more: tuple[str, str]) -> list[tuple[str, str]]:
    """Return the (name, type) pairs of a core table of one record kind."""
    fields = [(field.name, DUCKDB_TYPES[field.type]) for field in kind.fields]
    return [*fields, *more, *((column.name, column.type) for column in ORIGIN)]


def kind_meanings(kind: Kind, *more: Column) -> tuple[Column, ...]:
    """Return the columns of a core table of one record kind with meaning and unit, for its comments."""
    fields = (Column(f.name, DUCKDB_TYPES[f.type], f.meaning, f.unit) for f in kind.fields)
    return (*fields, *more, *ORIGIN)


@contextmanager
def open_warehouse(path: Path, *, read_only: bool = True) -> Iterator[Warehouse]:
    """Open the warehouse at `path`; the schemas are made when it is opened for writing.

    Raises
    ------
    Transient : another process holds the file.
    WrongUsage : the file is damaged or no warehouse, or files it names are gone.
    """
    try:
        con = duckdb.connect(str(path), read_only=read_only)
    except duckdb.Error as problem:
        if is_of_a_full_disk(problem):
            raise
        raise _told(problem, path) from problem
    warehouse = Warehouse(con)
    _limit_memory(con)
    try:
        if not read_only:
            for schema in SCHEMAS:
                con.execute(f"create schema if not exists {schema}")
        yield warehouse
    except duckdb.Error as problem:
        if _is_of_the_file(problem):
            raise _told(problem, path) from problem
        raise
    finally:
        warehouse.close()


def _limit_memory(con: duckdb.DuckDBPyConnection) -> None:
    machine_gib = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    con.execute("set memory_limit = ?", [f"{min(MOST_MEMORY_GIB, 0.8 * machine_gib):.2f}GiB"])


def _is_of_the_file(problem: duckdb.Error) -> bool:
    """Tell a file or a disk that fails from a statement of ours that is wrong."""
    text = str(problem)
    if is_of_a_full_disk(problem):
        return False
    return isinstance(problem, duckdb.IOException) or "orrupt" in text or ".parquet' too small" in text


def _told(problem: duckdb.Error, path: Path) -> EvapfleetError:
    """Say what to do about a database file that cannot be opened, read or written."""
    first = str(problem).splitlines()[0]
    if "lock on file" in first:
        todo = "close the program that holds it, then try again"
        return Transient(f"the warehouse cannot be opened: {first}", str(path), todo)
    if ".parquet" in first:
        # core.samples is a view over files of their own.
        what = f"a samples file that the warehouse names is damaged or gone: {first}"
        todo = "where the folder was moved: `evapfleet publish DIR`, which points to where they are now; otherwise"
        return WrongUsage(
            what, str(path), f"{todo} `evapfleet run LAKE --out DIR` again, which reads them anew"
        )
    return WrongUsage(
        f"the warehouse is damaged, or no warehouse: {first}",
        str(path),
        "delete that file and run `evapfleet run LAKE --out DIR` again: it then reads every file anew",
    )
