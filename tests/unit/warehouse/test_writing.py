"""A table is written whole or not at all, and a failure leaves the warehouse fit for more."""

import polars as pl
import pytest

from pipeline.contract.tables import Column, Table
from pipeline.errors import OurFault
from pipeline.warehouse.store import open_warehouse

TABLE = Table(
    schema="mart",
    name="thing",
    key=("name",),
    grain="one row a thing",
    columns=(Column("name", "VARCHAR", "its name"), Column("size_mm", "DOUBLE", "how long it is", "mm")),
)
ROWS = pl.DataFrame({"name": ["a", "b"], "size_mm": [1.0, None]})


def test_rows_stand_as_they_come_with_their_comments(tmp_path):
    with open_warehouse(tmp_path / "w.duckdb", read_only=False) as warehouse:
        warehouse.write(TABLE, (ROWS[k : k + 1] for k in (1, 0)))
    with open_warehouse(tmp_path / "w.duckdb") as warehouse:
        assert warehouse.table("mart.thing").rows() == [("b", None), ("a", 1.0)]
        told = warehouse.query("select comment from duckdb_columns() where table_name = 'thing'")
        assert told["comment"].to_list() == ["its name", "how long it is [mm]"]


def test_a_failure_half_way_leaves_no_rows_and_the_next_write_succeeds(tmp_path):
    with open_warehouse(tmp_path / "w.duckdb", read_only=False) as warehouse:
        with pytest.raises(OurFault, match="lacks size_mm"):
            warehouse.write(TABLE, [ROWS, ROWS.drop("size_mm")])
        assert warehouse.table("mart.thing").height == 0
        warehouse.write(TABLE, ROWS)
        assert warehouse.table("mart.thing").height == 2
