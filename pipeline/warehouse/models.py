"""Run the SQL models and checks of `sql/`: one SELECT per file, described by its own header.

A header is the comment block at the top of a file: `-- word: text`, continued by indented comment lines.
`grain`, `key`, `reads`, `units`, `leaves out` and `why` stand in every model, which becomes a table unless it says
`kept as: view`; a check adds `level` (`fail` or `warn`) and `judges`: the SELECT that counts what it could have
found broken.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import duckdb
import polars as pl

from pipeline.errors import OurFault

REQUIRED_WORDS = ("grain", "key", "reads", "units", "leaves out", "why")
LEVELS = ("fail", "warn")
#: Folder of the checks, beside the folders of the models.
CHECKS = "check"
#: So many of the rows that break a check are kept as examples; all of them are counted.
N_EXAMPLES = 20

_HEADER_LINE = re.compile(r"--\s*(?P<word>[a-z][a-z ]*):\s*(?P<text>.*)")
_CONTINUATION = re.compile(r"--\s{2,}(?P<text>\S.*)")
_IDENTIFIER = re.compile(r"[a-z][a-z0-9_]*")


@dataclass(frozen=True)
class Model:
    """One SQL file: `schema` is its folder, `name` its stem, `header` what its comments say."""

    schema: str
    name: str
    sql: str
    header: dict[str, str]

    @property
    def full_name(self) -> str:
        return f"{self.schema}.{self.name}"

    @property
    def reads(self) -> tuple[str, ...]:
        return _split(self.header["reads"])

    @property
    def key(self) -> tuple[str, ...]:
        return _split(self.header["key"])


@dataclass(frozen=True)
class CheckResult:
    """What one check found: `rows` are examples of the `n_broken` rows that break it."""

    name: str
    level: str
    why: str
    n_judged: int
    n_broken: int
    rows: pl.DataFrame

    @property
    def outcome(self) -> str:
        """`broken`, `holds`, or `judged_nothing` where there was nothing that could have been broken."""
        if self.n_broken:
            return "broken"
        return "holds" if self.n_judged else "judged_nothing"

    @property
    def example(self) -> str:
        """The first row that breaks the check, as text; "" where none does."""
        values = self.rows.row(0, named=True) if self.rows.height else {}
        return ", ".join(f"{name} = {value}" for name, value in values.items())

    @property
    def must_stop(self) -> bool:
        return self.outcome == "broken" and self.level == "fail"

    def sentence(self) -> str:
        """Say in one line what was found."""
        if self.outcome == "broken":
            return f"{self.name}: broken by {self.n_broken} rows, first {self.example}: {self.why}"
        if self.outcome == "judged_nothing":
            return f"{self.name}: nothing to judge"
        return f"{self.name}: holds ({self.n_judged} judged)"


def load_models(folder: Path) -> list[Model]:
    """Read every SQL file of a folder and the folders in it, in the order of their names. Reads only.

    Parameters
    ----------
    folder : the folder of all schemas, or one schema's. Checks are no models: they come only when their own
        folder `check` is asked for.

    Raises
    ------
    OurFault : the folder holds no SQL file, a name is no identifier, or a header lacks a word.
    """
    paths = sorted(p for p in folder.rglob("*.sql") if CHECKS not in p.relative_to(folder).parts)
    if not paths:
        raise OurFault(
            "there is no SQL file", str(folder), "reinstall evapfleet: its sql folder did not come along"
        )
    return [_load_model(path) for path in paths]


def in_reading_order(models: Iterable[Model]) -> list[Model]:
    """Return the models so that each comes after those it reads; ties in the order of their names.

    Raises
    ------
    OurFault : models read each other in a circle.
    """
    by_name = {model.full_name: model for model in sorted(models, key=lambda m: m.full_name)}
    sorter = TopologicalSorter({n: [r for r in m.reads if r in by_name] for n, m in by_name.items()})
    try:
        order = list(sorter.static_order())
    except CycleError as problem:
        raise OurFault(
            "SQL models read each other in a circle",
            " -> ".join(problem.args[1]),
            "take one of them out of the other's reads",
        ) from problem
    return [by_name[name] for name in order]


def run_models(con: duckdb.DuckDBPyConnection, models: Iterable[Model]) -> list[str]:
    """Make the table or view of every model, in reading order; return their names. Replaces those whole.

    Raises
    ------
    OurFault : a model is not one SELECT, or the database refuses it (a table it reads is not there).
    """
    made = []
    for model in in_reading_order(models):
        _require_one_select(con, model)
        con.execute(f"create schema if not exists {model.schema}")
        _make_table(con, model)
        made.append(model.full_name)
    return made


def run_checks(con: duckdb.DuckDBPyConnection, checks: Iterable[Model]) -> list[CheckResult]:
    """Run every check and return what it found. Reads only.

    Raises
    ------
    OurFault : a check is not one SELECT, lacks `level` or `judges`, or the database refuses it.
    """
    return [_run_check(con, check) for check in checks]


def _run_check(con: duckdb.DuckDBPyConnection, check: Model) -> CheckResult:
    level, judges = check.header.get("level"), check.header.get("judges")
    if level not in LEVELS or not judges:
        raise OurFault("a check needs level (fail or warn) and judges in its header", _place(check))
    _require_one_select(con, check)
    judged = _rows(con, judges, check)
    broken = _rows(con, check.sql, check)
    return CheckResult(
        name=check.name,
        level=level,
        why=check.header["why"],
        n_judged=int(judged.item()),
        n_broken=broken.height,
        rows=broken.head(N_EXAMPLES),
    )


def _load_model(path: Path) -> Model:
    schema, name = path.parent.name, path.stem
    if not (_IDENTIFIER.fullmatch(schema) and _IDENTIFIER.fullmatch(name)):
        raise OurFault("an SQL file and its folder need plain lower-case names", str(path))
    text = path.read_text(encoding="utf-8")
    header = _parse_header(text)
    missing = [word for word in REQUIRED_WORDS if not header.get(word)]
    if missing:
        raise OurFault(
            f"the header lacks {', '.join(missing)}", f"{schema}/{path.name}", "add what is missing"
        )
    return Model(schema, name, text, header)


def _parse_header(text: str) -> dict[str, str]:
    header: dict[str, str] = {}
    word = ""
    for line in text.splitlines():
        if more := _CONTINUATION.fullmatch(line):
            header[word] = f"{header.get(word, '')} {more['text']}".strip()
        elif start := _HEADER_LINE.fullmatch(line):
            word = start["word"]
            header[word] = start["text"].strip()
        else:
            break
    return header


def _require_one_select(con: duckdb.DuckDBPyConnection, model: Model) -> None:
    try:
        statements = con.extract_statements(model.sql)
    except duckdb.Error as problem:
        raise _refused(model, problem) from problem
    if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
        raise OurFault("an SQL file must hold one SELECT and nothing else", _place(model))


def _make_table(con: duckdb.DuckDBPyConnection, model: Model) -> None:
    kept_as = "view" if model.header.get("kept as") == "view" else "table"
    try:
        con.execute(f"create or replace {kept_as} {model.full_name} as {model.sql}").fetchall()
    except duckdb.Error as problem:
        raise _refused(model, problem) from problem


def _rows(con: duckdb.DuckDBPyConnection, select: str, model: Model) -> pl.DataFrame:
    try:
        return pl.DataFrame(pl.from_arrow(con.sql(select).to_arrow_table()))
    except duckdb.Error as problem:
        raise _refused(model, problem) from problem


def _refused(model: Model, problem: duckdb.Error) -> OurFault:
    return OurFault(
        f"the database refuses this SQL: {str(problem).splitlines()[0]}",
        _place(model),
        f"check that what it reads is there: {', '.join(model.reads)}",
    )


def _place(model: Model) -> str:
    return f"sql/{model.schema}/{model.name}.sql"


def _split(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())
